"""What every self-contained web page of this package shares: its parts, its security policy, its data."""

from __future__ import annotations

import base64
import hashlib
import json
from importlib.resources import files
from typing import Any


def part(folder: str, name: str) -> str:
    """The text of a page's part."""
    return (files("spreadcheck.show") / "web" / folder / name).read_text(encoding="utf-8")


def strict_policy(script: str, style: str) -> str:
    """The content security policy of a page that has one script and one style, both named by their hashes."""
    return (
        f"default-src 'none'; script-src {_hash(script)}; style-src {_hash(style)}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(content: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()}'"


def json_for_page(data: dict[str, Any]) -> str:
    """Data as JSON without a sign that could end its script element."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")
