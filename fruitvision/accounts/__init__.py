"""Who may open the farm's app over a network, and what each may do there."""

from fruitvision.accounts.account import Account, Role
from fruitvision.accounts.book import ACCOUNTS_NAME, AccountBook
from fruitvision.accounts.sessions import Session, Sessions

__all__ = [
    "ACCOUNTS_NAME",
    "Account",
    "AccountBook",
    "Role",
    "Session",
    "Sessions",
]
