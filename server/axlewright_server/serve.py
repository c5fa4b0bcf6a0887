"""Run the office with its web server until it is told to stop."""

from __future__ import annotations

import logging
import signal
import threading
from types import FrameType

import uvicorn

from axlewright_server.broker import check_port_free
from axlewright_server.office import Office
from axlewright_server.settings import Settings

_LOG = logging.getLogger(__name__)


def serve(settings: Settings, log_level: str = "info") -> int:
    """Serve until SIGTERM or Ctrl-C and return the exit code.

    Raises
    ------
    ServerError, ModelError
        The settings, the fleet file, the data folder, a port or the broker stand in the way.
    """
    logging.basicConfig(level=log_level.upper(), format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    logging.getLogger("alembic").setLevel(logging.WARNING)
    check_port_free(settings.page.host, settings.page.port, "the page", "--page-port")
    office = Office(settings)
    # Until the web server has put up its own handlers, a signal must still end an office that is starting.
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        office.start()
        if not stop.is_set():
            _run_web(office, settings, stop, log_level)
    finally:
        office.stop()
    return 0


class _Server(uvicorn.Server):
    """A web server whose end by a signal is a normal end: the office stops what it has started afterwards."""

    def __init__(self, config: uvicorn.Config, stop: threading.Event) -> None:
        super().__init__(config)
        self._stop = stop

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        # A second signal forces; neither is raised again after the loop, so that the office stops in order.
        self.force_exit = self.should_exit
        self.should_exit = True
        self._stop.set()


def _run_web(office: Office, settings: Settings, stop: threading.Event, log_level: str) -> None:
    from axlewright_server.api import LOOPBACK_NAMES, create_app  # heavy, and builds on this package

    config = uvicorn.Config(
        # Without accounts only this machine's own names are answered: a page elsewhere may point its name here.
        create_app(office, LOOPBACK_NAMES if not office.accounts_exist() else None),
        host=settings.page.host,
        port=settings.page.port,
        log_level="warning" if log_level == "info" else log_level,
        # Streams of events never end by themselves: do not wait for them.
        timeout_graceful_shutdown=3,
        access_log=log_level == "debug",
        server_header=False,
    )
    host = f"[{settings.page.host}]" if ":" in settings.page.host else settings.page.host
    _LOG.info("page on http://%s:%d, broker at %s", host, settings.page.port, settings.broker.address)
    _Server(config, stop).run()
