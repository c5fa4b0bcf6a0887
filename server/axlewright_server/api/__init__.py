"""The interface for programs: FastAPI over an office."""

from axlewright_server.api.application import create_app

__all__ = ["create_app"]
