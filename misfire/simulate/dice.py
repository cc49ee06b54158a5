"""Draws at random, as plain Python numbers."""

from typing import TypeVar

import numpy as np

T = TypeVar("T")


class Dice:
    """Short words for the draws; everything comes out as plain Python numbers."""

    def __init__(self, rng: np.random.Generator) -> None:
        """Keep the generator."""
        self.rng = rng

    def chance(self, share: float) -> bool:
        """Say yes in a share of the cases."""
        return bool(self.rng.random() < share)

    def flat(self, low: float, high: float) -> float:
        """Draw evenly between two numbers."""
        return round(float(self.rng.uniform(low, high)), 6)

    def log(self, low: float, high: float) -> float:
        """Draw evenly on a logarithmic scale."""
        return round(float(np.exp(self.rng.uniform(np.log(low), np.log(high)))), 6)

    def pick(self, words: tuple[T, ...], shares: tuple[float, ...] | None = None) -> T:
        """Draw one of some things."""
        weights = None if shares is None else np.array(shares) / sum(shares)
        return words[int(self.rng.choice(len(words), p=weights))]
