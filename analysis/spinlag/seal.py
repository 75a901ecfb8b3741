"""A seal on the figures of a report, so that whoever reads them later knows that they are those that were written.

It is no signature: it guards against files cut short, merged or edited by chance, not against somebody who wants to
deceive. `spinlag verify` makes the whole report again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

KEY = "seal"


def seal_of(document: Mapping[str, Any], table_sha256: str) -> str:
    """SHA-256, in hex, of results.json (without its seal, however it is laid out) and of revolutions.csv's own SHA-256.

    Raises ValueError for NaN and infinities, which JSON does not have.
    """
    figures = {key: value for key, value in document.items() if key != KEY}
    text = json.dumps(figures, allow_nan=False, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(f"{text}\n{table_sha256}".encode("ascii")).hexdigest()
