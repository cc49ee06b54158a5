"""Inputs made from seeds: bits turned, pieces cut, doubled, swapped, and telling tokens put in."""

import random
from collections.abc import Sequence

LONGEST = 60_000  # bytes of a mutated input

_BOUNDS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
_LONG_BOUNDS = (1 << 60, (1 << 63) - 1, 1 << 63, (1 << 64) - 1)


def mutate(seeds: Sequence[bytes], tokens: Sequence[bytes], rng: random.Random) -> bytes:
    """Give one input: a seed with one to eight changes.

    Parameters
    ----------
    seeds : sequence of bytes [at least one]
    tokens : sequence of bytes
    rng : Random
    """
    data = bytearray(rng.choice(seeds))
    for _ in range(1 if rng.random() < 0.4 else rng.randint(2, 8)):
        at = rng.randrange(len(data) + 1)
        kind = rng.randrange(9)
        if kind == 0 and data:
            data[at - 1] ^= 1 << rng.randrange(8)
        elif kind == 1 and data:
            data[at - 1] = rng.randrange(256)
        elif kind == 2:
            width = rng.choice((1, 2, 4, 8))
            bound = rng.choice(_BOUNDS if width < 8 else _BOUNDS + _LONG_BOUNDS)
            data[at : at + width] = (bound & (1 << 8 * width) - 1).to_bytes(
                width, rng.choice(("little", "big"))
            )
        elif kind == 3:
            del data[at : at + rng.randint(1, max(1, min(64, len(data) // 4)))]
        elif kind == 4:
            piece = data[at : at + rng.randint(1, 64)]
            data[at:at] = piece * rng.choice((1, 1, 2, 30))
        elif kind == 5 and tokens:
            data[at:at] = rng.choice(tokens)
        elif kind == 6 and tokens:
            token = rng.choice(tokens)
            data[at : at + len(token)] = token
        elif kind == 7:
            other = rng.choice(seeds)
            start = rng.randrange(len(other) + 1)
            data[at : at + rng.randint(0, 64)] = other[start : start + rng.randint(1, 64)]
        elif kind == 8 and rng.random() < 0.3:
            del data[at:]
    return bytes(data[:LONGEST])
