"""The errors that this package raises on purpose."""


class ModelError(ValueError):
    """Anything that this package refuses, with a text that says what, where and how to mend it."""


class UnitError(ModelError):
    """A unit is unknown, or measures something else than was asked for."""


class SpecificationError(ModelError):
    """A fleet file is wrong; the text holds the path of the key."""


class TopicError(ModelError):
    """A topic is not one of ours."""


class FrameError(ModelError):
    """A payload cannot be read as a frame.

    ``stream`` and ``seq`` are set when they could still be read: such a frame can be
    acknowledged, so that it does not block its sender's queue.
    """

    def __init__(self, reason: str, stream: str | None = None, seq: int | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.stream = stream
        self.seq = seq
