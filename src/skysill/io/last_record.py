"""The values of an earlier record, as `report --json` printed them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.io.text import read_bytes

__all__ = ["read_last_record"]

_BIGGEST_BYTES = 50_000_000


def read_last_record(path: str | Path) -> dict[str, Any]:
    """The document of an earlier record.

    Raises
    ------
    InputError : missing, no JSON, or JSON of something else

    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "last.json"
    >>> _ = path.write_text('{"made": "2026-06-15", "assessment": {"results": []}}')
    >>> read_last_record(path)["made"]
    '2026-06-15'
    """
    shown, mend = str(path), "Give what skysill report --json printed."
    try:
        document: Any = json.loads(read_bytes(path, most_bytes=_BIGGEST_BYTES))
    except (ValueError, RecursionError):
        raise InputError("is not JSON.", where=shown, mend=mend) from None
    made = document.get("made") if isinstance(document, dict) else None
    if not isinstance(made, str) or not isinstance(document.get("assessment"), dict):
        raise InputError("is not the JSON of a record.", where=shown, mend=mend)
    return dict(document)
