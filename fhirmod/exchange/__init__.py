"""What leaves or arrives as a whole: the case as a Bundle."""

from .case import case_bundle

__all__ = ["case_bundle"]
