"""Ways in which a file can lie, for any bytes and any JSON: each settled by a random generator."""

import json
import random
from collections.abc import Callable
from typing import Any

__all__ = ["mutated_bytes", "mutated_json", "mutated_numbers", "mutated_text"]

_NUMBERS: tuple[Any, ...] = (
    0, -0.0, 1, -1, 1e-320, 5e-324, 1e300, -1e300, 1e16, 2**31, 2**63, 10**400, 0.1, 1e9, float("nan"), float("inf"),
)  # fmt: skip
_TEXTS = ("", "x", "\x00", "\x1b[31m", "\u200b", "\ud800", "../../etc", "F1", "<b>&\"'", "=1+1", "A" * 70_000, "\n\n", "é×")


def mutated_bytes(rng: random.Random, data: bytes) -> bytes:
    """Return bytes with one to four faults: bits flipped, a stretch cut, doubled, zeroed, or numbers made extreme."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        if not out:
            break
        at = rng.randrange(len(out)) if rng.random() < 0.5 else rng.randrange(min(len(out), 400))
        length = min(rng.choice((1, 2, 4, 8, 64, 512)), len(out) - at)
        how = rng.randrange(8)
        if how == 0:
            out[at] ^= 1 << rng.randrange(8)
        elif how == 1:
            del out[at:]
        elif how == 2:
            del out[at : at + length]
        elif how == 3:
            out[at:at] = out[at : at + length]
        elif how == 4:
            out[at : at + length] = bytes(length)
        elif how == 5:
            out[at : at + length] = b"\xff" * length
        elif how == 6:
            out[at : at + length] = rng.randbytes(length)
        else:
            number = rng.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 65535, 65536, 20_000, 1 << 24))
            out[at : at + 4] = number.to_bytes(4, rng.choice(("little", "big")))
    return bytes(out)


def mutated_text(rng: random.Random, text: str) -> str:
    """Return text with a word or a number changed, or bytes mutated."""
    if rng.random() < 0.4:
        return mutated_bytes(rng, text.encode()).decode("utf-8", "replace")
    words = text.split(" ")
    at = rng.randrange(len(words))
    words[at] = rng.choice([str(one) for one in _NUMBERS] + [one for one in _TEXTS if len(one) < 99] + ["9" * 1000])
    return " ".join(words)


def mutated_json(rng: random.Random, data: Any) -> bytes:
    """Return JSON in which one to three values were replaced, dropped, nested or repeated."""
    data = json.loads(json.dumps(data))
    for _ in range(rng.randint(1, 3)):
        places = list(_places(data))
        holder, key = rng.choice(places)
        change: Callable[[], None] = rng.choice((_replace, _drop, _nest, _repeat, _scale))(rng, holder, key)
        change()
    if rng.random() < 0.1:
        return mutated_bytes(rng, json.dumps(data).encode())
    return json.dumps(data).encode("utf-8", "surrogatepass")


def mutated_numbers(rng: random.Random, data: Any) -> bytes:
    """Return JSON in which one to three numbers are other numbers: most of it passes as what it should be."""
    data = json.loads(json.dumps(data))
    numbers = [(holder, key) for holder, key in _places(data) if type(holder[key]) in (int, float)]
    for _ in range(rng.randint(1, 3)):
        holder, key = rng.choice(numbers)
        value, whole = holder[key], isinstance(holder[key], int)
        factor = rng.choice((-1, 0, 1e-12, 1e-3, 1e3, 1e6, 1e12))
        other = rng.choice((value * factor, rng.choice((1, 3, 1e14, -1e14, 1e-300, 5e-324))))
        holder[key] = int(other) if whole else other
    return json.dumps(data).encode()


def _places(data: Any) -> Any:
    keys = list(data) if isinstance(data, dict) else range(len(data)) if isinstance(data, list) else ()
    for key in keys:
        yield data, key
        yield from _places(data[key])


def _replace(rng: random.Random, holder: Any, key: Any) -> Callable[[], None]:
    value = rng.choice((*_NUMBERS, *_TEXTS, None, [], {}, True, [1, 2], {"value": 1, "u": 1}, {"value": 1e300, "u": 1e-300}))
    return lambda: holder.__setitem__(key, value)


def _scale(rng: random.Random, holder: Any, key: Any) -> Callable[[], None]:
    value = holder[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        return _replace(rng, holder, key)
    return lambda: holder.__setitem__(key, value * rng.choice((-1, 1e-12, 1e6, 1e12, 1000)))


def _drop(rng: random.Random, holder: Any, key: Any) -> Callable[[], None]:
    return lambda: holder.__delitem__(key)


def _nest(rng: random.Random, holder: Any, key: Any) -> Callable[[], None]:
    deep: Any = holder[key]
    for _ in range(rng.choice((1, 5, 200))):
        deep = [deep]
    return lambda: holder.__setitem__(key, deep)


def _repeat(rng: random.Random, holder: Any, key: Any) -> Callable[[], None]:
    if isinstance(holder[key], list):
        many = (holder[key] * rng.choice((2, 300)))[:3000]
        return lambda: holder.__setitem__(key, many)
    return _drop(rng, holder, key)
