"""The settings card as one self-contained HTML page that prints on one sheet, black on white."""

from __future__ import annotations

import base64
import hashlib
from html import escape

from spreadcheck.show.card import TITLE, CardRow, CardSection, SettingsCard

_SIZES = {"a4": "A4", "letter": "letter"}
_STYLE = """
@page { size: %s; margin: 11mm }
* { box-sizing: border-box; overflow-wrap: anywhere }
body { font: 10pt/1.3 "DejaVu Sans", Arial, sans-serif; color: #000; background: #fff; margin: 0 auto; padding: 1rem;
  max-width: 60rem }
h1 { font-size: 16pt; margin: 0 0 1mm } h2 { font-size: 10.5pt; margin: 2.5mm 0 1mm }
header, .two { display: grid; grid-template-columns: 1fr 1fr; gap: 0 5mm; align-items: start }
header p { margin: 0; text-align: right }
table { width: 100%%; border-collapse: collapse; table-layout: fixed }
th, td { border: 0.3mm solid #000; padding: 0.7mm 1.5mm; text-align: left; vertical-align: top; height: 6mm }
th { font-weight: normal; width: 40%% } td { font-weight: bold } td + td { font-weight: normal }
.wide th { width: 30%% } .wide td:nth-child(2) { width: 27%% } .wide tr { height: 8mm }
ul { margin: 0; padding-left: 5mm; font-size: 8.5pt } .controller table { border: 0.8mm solid #000 }
.sign { margin-top: 7mm; display: grid; grid-template-columns: 2fr 1fr; gap: 8mm }
.sign div { border-top: 0.3mm solid #000; font-size: 8.5pt }
@media screen and (max-width: 40rem) { header, .two { grid-template-columns: 1fr } header p { text-align: left } }
@media print { body { font-size: 8.5pt; line-height: 1.2; padding: 0 0.5mm; max-width: none }
  ul, .sign div { font-size: 7.5pt } .wide td + td { font-size: 7.5pt } .wide tr { height: 6.6mm }
  .two td span { display: -webkit-box; -webkit-box-orient: vertical; -webkit-line-clamp: 2; overflow: hidden }
  h1 { font-size: 14pt } h2 { font-size: 9pt; margin: 1.8mm 0 0.8mm } }
"""


def card_html(card: SettingsCard, *, paper: str = "a4") -> str:
    """The card as one HTML page."""
    style = _STYLE % _SIZES[paper]
    sealed = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{sealed}'; img-src data:; base-uri 'none'; form-action 'none'"
    doubts = _listed("Doubts about the test", card.doubts) if card.doubts else ""
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,">
<title>{TITLE}: {escape(card.name)}</title>
<style>{style}</style></head>
<body>
<header><h1>{TITLE}</h1><p><strong>{escape(card.name)}</strong><br>Date of the test: {_value(card.date)}</p></header>
<div class="two"><div>{_section(card.about)}{_section(card.product)}</div><div>{_section(card.settings)}</div></div>
{_section(card.controller, "wide controller")}
{_section(card.result, "wide")}
{doubts}
{_listed("Cautions", card.cautions)}
<div class="sign"><div>Signature</div><div>Date</div></div>
</body></html>
"""


def _section(section: CardSection, kind: str = "") -> str:
    rows = "\n".join(_row(row, noted="wide" in kind) for row in section.rows)
    return f'<section class="{kind}"><h2>{escape(section.heading)}</h2><table>\n{rows}\n</table></section>'


def _row(row: CardRow, *, noted: bool) -> str:
    note = f"<td>{escape(row.note)}</td>" if noted else ""
    return f'<tr><th scope="row">{escape(row.label)}</th><td><span>{escape(row.value)}</span></td>{note}</tr>'


def _value(text: str) -> str:
    return escape(text) or "____________"


def _listed(heading: str, lines: tuple[str, ...]) -> str:
    return f"<h2>{heading}</h2><ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"
