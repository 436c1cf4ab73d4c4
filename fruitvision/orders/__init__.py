"""The order book: lines as they are typed, and held against a forecast."""

from fruitvision.orders.book import (
    CheckedLine,
    CheckedOrders,
    OrderCell,
    Taken,
    check_orders,
)
from fruitvision.orders.table import order_doubts, read_orders

__all__ = [
    "CheckedLine",
    "CheckedOrders",
    "OrderCell",
    "Taken",
    "check_orders",
    "order_doubts",
    "read_orders",
]
