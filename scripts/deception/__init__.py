"""Kinds of recordings engineered to deceive, for `scripts/deceive.py`."""
