"""The case registry's floor: so far the statistics its indicators will use. Needs the extra `registry`."""

from .statistics import Ratio, Share, risk_ratio, share

__all__ = ["Ratio", "Share", "risk_ratio", "share"]
