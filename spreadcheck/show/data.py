"""Plain data: the envelope of every `--json`, and the rows of every `--csv`."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from operator import attrgetter
from typing import Any, Protocol

from spreadcheck.doubts.doubt import Doubt, warnings_data
from spreadcheck.errors import hidden_in, visible
from spreadcheck.judge.verdict import Verdict
from spreadcheck.sheet.labels import LABELS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.units import KINDS, from_inside, shown_unit

DIGITS = 9  # significant ones: a reading back differs by less than any scale can weigh
# how a key ends -> kind of quantity, the longest first; what is shown as it is inside has no unit to change
_ENDS = {
    f"_{kind.key}": name
    for name, kind in sorted(KINDS.items(), key=lambda pair: -len(pair[1].key))
    if {kind.metric, kind.us} != {kind.inside}
}
# what every JSON result has of the verdict
_VERDICT = "state method bout_width_m probability_pct probability_most_pct blocking why close part untested"


class Judged(Protocol):
    """A study of one test, with what is doubtful about it and its verdict."""

    @property
    def test(self) -> TrayTest | None: ...
    @property
    def doubts(self) -> Iterable[Doubt]: ...
    @property
    def verdict(self) -> Verdict | None: ...


def envelope(
    schema: str,
    about: Judged | TrayTest | Mapping[str, Any] | list[dict[str, Any]] | None = None,
    warnings: Iterable[Doubt] = (),
    **found: Any,
) -> dict[str, Any]:
    """What a command found, SI throughout, with its test or list of tests and doubts; a study brings its own."""
    if not isinstance(about, TrayTest | Mapping | list | None):
        warnings, found, about = (*about.doubts, *warnings), found | {"verdict": about.verdict}, about.test
    test = form_data(about) if isinstance(about, TrayTest) else about
    named = {"tests": test} if isinstance(test, list) else {"test": test or {}}
    data: dict[str, Any] = _plain({**named, **found})
    return {"schema": f"spreadcheck/{schema}", **data, "warnings": warnings_data(warnings)}


def picked(thing: object, names: str) -> dict[str, Any]:
    """Some fields of a result under their own names, or under a key: "mean_kg=runs.mean" is `thing.runs.mean`."""
    pairs = (name.partition("=") for name in names.split())
    return {key: attrgetter(field or key)(thing) for key, _, field in pairs}


def _plain(value: Any) -> Any:
    """Records by their fields, arrays and tuples as lists, None for a figure that is not known: JSON has no NaN."""
    if isinstance(value, Verdict):
        value = picked(value, _VERDICT)
    elif is_dataclass(value):
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def form_data(test: TrayTest) -> dict[str, Any]:
    """Known labels in SI under their keys, then unknown ones as they stand, under a key that no known one has."""
    form: dict[str, Any] = {
        LABELS[name].key: list(value) if isinstance(value, tuple) else value for name, value in test.values.items()
    }
    for row in test.form:
        if row.label in test.unknown_labels:
            key = "_".join(row.label.casefold().split())
            form.setdefault(key, " ".join(part for part in (row.value, row.unit) if part))
    return form


def json_text(data: dict[str, Any]) -> str:
    """Plain data as JSON text with a line end, the same for the same data; hidden characters are written as codes."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    return text.translate({ord(c): json.dumps(c)[1:-1] for c in hidden_in(text) - {"\n"}}) + "\n"


def csv_text(rows: Iterable[Mapping[str, Any]], system: str = "", columns: Iterable[str] = ()) -> str:
    """Rows of SI figures as CSV, in the units of a system where one is named; the units end the names."""
    told: list[dict[str, str]] = []
    for row in rows:
        told.append({})
        for key, value in row.items():
            kind = next((kind for end, kind in _ENDS.items() if system and key.endswith(end)), None)
            if kind is not None:
                unit = shown_unit(kind, system)
                said = unit.replace("1/", "per_")  # kg_ha, per_ha, kg_per_100_m
                said = said.replace("/", "_per_" if " " in said else "_").replace(" ", "_")
                key = f"{key.removesuffix(KINDS[kind].key)}{said}"
                value = None if value is None else from_inside(value, unit, kind)
            told[-1][key] = csv_cell(value)
    out = io.StringIO()
    names = tuple(columns) or (tuple(told[0]) if told else ())
    writer = csv.DictWriter(out, names, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(told)
    return out.getvalue()


def csv_cell(value: object) -> str:
    """A figure to nine digits, yes or no, or text on one line, kept from being run as a formula; empty if not known."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        from decimal import Decimal

        return f"{Decimal(f'{value + 0.0:.{DIGITS}g}'):f}" if math.isfinite(value) else ""
    text = visible(" ".join(str(value).split()))
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) and isinstance(value, str) else text
