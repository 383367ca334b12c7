"""Numbered versions of the store's tables, each one transaction. A version that was released is never edited."""
