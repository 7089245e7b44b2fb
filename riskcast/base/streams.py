"""Random streams keyed by name.

Every use of chance asks for a stream by the name of what it is for, so adding a
parameter, an animal or a risk moves no other number.
"""

from __future__ import annotations

import hashlib

import numpy as np

__all__ = ["stream"]


def stream(seed: int, *names: str) -> np.random.Generator:
    """Generator that depends on the seed and the names only.

    >>> float(stream(0, "torpor.q10").random()) == float(stream(0, "torpor.q10").random())
    True
    """
    key = hashlib.sha256("\x1f".join(names).encode("utf-8")).digest()
    words = np.frombuffer(key, dtype=np.uint32)
    return np.random.default_rng(np.random.SeedSequence([seed, *(int(w) for w in words)]))
