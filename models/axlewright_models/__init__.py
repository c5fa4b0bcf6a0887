"""What is true of axles: units, specification, signals, the wire contract and the physics behind them."""

__version__ = "0.1.0"
