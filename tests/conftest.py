"""What tests of several folders share."""

from fault_table import keeper

__all__ = ["keeper"]
