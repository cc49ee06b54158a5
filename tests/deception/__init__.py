"""Kinds of recordings engineered to deceive, for `python -m tests.deception`."""
