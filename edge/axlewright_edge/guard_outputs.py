"""What the guard moves when it speaks: a lamp, a command, the vehicle bus; in a thread of its own, so nothing waits."""

from __future__ import annotations

import logging
import os
import subprocess
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from axlewright_edge.guard_settings import GuardSettings

LOGGER = logging.getLogger(__name__)
Words = Mapping[int, str]


class GuardOutputs:
    """Tells the newest words to each output, one after the other; words that come meanwhile replace each other.

    The same words told again reach only the outputs that have not taken them.

    Parameters
    ----------
    settings : GuardSettings
        Lamp and hook.
    vehicle : str
        Told to the hook.
    quiet : callable
        Whether words stand for silence.
    others : callables
        More outputs that take the words, such as the vehicle bus.
    """

    def __init__(
        self, settings: GuardSettings, vehicle: str, quiet: Callable[[Words], bool], *others: Callable[[Words], None]
    ) -> None:
        self._settings = settings
        self._vehicle = vehicle
        self._quiet = quiet
        self._outputs: dict[str, Callable[[Words], None]] = {}
        if settings.lamp_file:
            self._outputs["lamp"] = self._light
        if settings.hook:
            self._outputs["hook"] = self._run_hook
        self._outputs.update({f"output {number}": output for number, output in enumerate(others, 1)})
        self._changed = threading.Condition()
        self._next: Words | None = None
        self._busy = False
        self._stopped = False
        self._problems: dict[str, str] = {}
        self._taken: dict[str, Words] = {}
        self._thread: threading.Thread | None = None

    @property
    def problem(self) -> str:
        """What did not work the last time, empty when all did."""
        return "; ".join(self._problems.values())

    def tell(self, words: Words) -> None:
        """Tell these words soon; returns at once."""
        if not self._outputs:
            return
        with self._changed:
            idle = self._next is None and not self._busy
            if idle and all(self._taken.get(name) == words for name in self._outputs):
                return
            self._next = dict(words)
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name=f"guard {self._vehicle}", daemon=True)
                self._thread.start()
            self._changed.notify_all()

    def idle(self, timeout_s: float) -> bool:
        """Wait until all has been told; return whether it has."""
        with self._changed:
            return self._changed.wait_for(lambda: self._next is None and not self._busy, timeout_s)

    def stop(self) -> None:
        """End the thread; the lamp stays as it is, for the truck has not changed."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._next is not None or self._stopped)
                if self._next is None:
                    return
                words, self._next, self._busy = self._next, None, True
            for name, output in self._outputs.items():
                if self._taken.get(name) != words:
                    self._try(name, output, words)
            with self._changed:
                self._busy = False
                self._changed.notify_all()

    def _try(self, name: str, output: Callable[[Words], None], words: Words) -> None:
        try:
            output(words)
        except Exception as error:
            # One output that fails must not keep the others from being told.
            LOGGER.error("guard of %s: %s: %s", self._vehicle, name, error)
            self._problems[name] = f"{name}: {error}"
            self._taken.pop(name, None)
        else:
            self._problems.pop(name, None)
            self._taken[name] = words

    def _light(self, words: Words) -> None:
        text = self._settings.lamp_off if self._quiet(words) else self._settings.lamp_on
        with Path(self._settings.lamp_file).open("w", encoding="ascii") as lamp:
            lamp.write(f"{text}\n")

    def _run_hook(self, words: Words) -> None:
        told = ",".join(f"{axle}:{word}" for axle, word in sorted(words.items()))
        environment = {**os.environ, "AXLEWRIGHT_VEHICLE": self._vehicle, "AXLEWRIGHT_GUARD": told}
        try:
            done = subprocess.run(
                self._settings.hook,
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                timeout=self._settings.hook_limit_s,
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise TimeoutError(f"{self._settings.hook[0]} was ended after {self._settings.hook_limit_s:g} s") from None
        if done.returncode:
            raise RuntimeError(f"{self._settings.hook[0]} ended with {done.returncode}")
