"""The errors that the server raises on purpose."""


class ServerError(Exception):
    """Anything that the server refuses, with a text that says what, where and how to mend it."""


class SettingsError(ServerError):
    """A setting is wrong, or a combination of settings is unsafe; the text holds its key."""


class StoreError(ServerError):
    """The data file cannot be used: locked by another server, or written by a newer one."""


class BrokerError(ServerError):
    """The broker cannot be started or reached."""


class PortBusyError(ServerError):
    """Something else already listens where we are asked to listen."""


class HistoryError(ServerError):
    """A replay table is not of the form that the loader reads."""
