"""State detection: small column kernels, one file each, that turn readings into symptoms.

Every detector is a pure function over columns, ``step(state, batch, table) -> (state, symptoms)``, one row per
axle. It knows event time only, so late readings give what they would have given live.
"""
