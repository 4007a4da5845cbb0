"""Serials as people count them."""

from storage.serials import serial_order

__all__ = ["serial_order"]
