"""The version of the sums: raised when a change here can give another value for the same entries.

Stored values carry it; `rebuild` re-derives what an older version computed.
"""

COMPUTE_VERSION = "1"
