"""The interface for programs: FastAPI over an office."""

from axlewright_server.api.application import LOOPBACK_NAMES, create_app

__all__ = ["LOOPBACK_NAMES", "create_app"]
