"""Tray tests of granular-fertiliser spreaders: from tray weights to an effective width.

The public names are listed once, below; each is loaded when it is first used, so `import spreadcheck` is instant.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

# public name -> module that holds it
_PUBLIC = {
    "LABELS": "labels",
    "METHODS": "labels",
    "LIMITS": "limits",
    "Limit": "limits",
    "SpreadcheckError": "errors",
    "SheetError": "errors",
    "QuantityError": "errors",
    "NoSpreadError": "errors",
    "WidthError": "errors",
    "CostError": "errors",
    "OutputError": "errors",
    "MissingExtraError": "errors",
    "Fault": "errors",
    "parse_quantity": "units",
    "to_inside": "units",
    "from_inside": "units",
    "TrayTest": "traytest",
    "tray_test": "traytest",
    "catch_g": "traytest",
    "read_sheet": "traysheet",
    "sheet_text": "traysheet",
    "write_sheet": "traysheet",
    "ThrowSetting": "release",
    "Weather": "release",
    "study_throw": "throw",
    "Recording": "recording",
    "begin": "recording",
    "answer": "answers",
    "Profile": "profile",
    "profile_of": "profile",
    "profile_from": "profile",
    "overlapped_deposit": "overlap",
    "deposit_shares": "overlap",
    "bout_deposit": "overlap",
    "coefficient_of_variation": "evenness",
    "Scan": "widths",
    "default_widths": "widths",
    "parse_widths": "widths",
    "scan_widths": "widths",
    "scan_methods": "widths",
    "width_bands": "widths",
    "effective_width": "widths",
    "NutrientAnalysis": "components",
    "assess_blend": "components",
    "read_analysis": "nutrients",
    "find_sheets": "batch",
    "run_batch": "batch",
    "Finding": "finding",
    "CHECKS": "quality",
    "tray_noise": "noise",
    "Wish": "wish",
    "Plan": "plan",
    "plan_line": "plan",
    "planned_sheet": "plansheet",
    "PatternReading": "pattern",
    "read_pattern": "pattern",
    "Assessment": "assessment",
    "Bout": "assessment",
    "assess": "assessment",
    "compare": "comparison",
    "tune": "tuning",
    "Readings": "productfile",
    "read_readings": "productfile",
    "read_product_file": "productfile",
    "Product": "product",
    "product_of": "product",
    "form_rows": "product",
    "Chart": "chart",
    "read_chart": "chart",
    "look_up": "chart",
    "RateSettings": "ratecheck",
    "RateCheck": "ratecheck",
    "check_rate": "ratecheck",
    "rate_from_trays": "rate",
    "rate_from_area": "rate",
    "rate_from_catch": "rate",
    "rate_at_width": "rate",
    "corrected_factor": "rate",
    "Basis": "pricefile",
    "read_price_file": "pricefile",
    "basis_from": "pricefile",
    "response_curve": "response",
    "mean_yield": "response",
    "yield_loss": "response",
    "WidthStudy": "economics",
    "study_widths": "economics",
    "EdgeStudy": "wholefield",
    "study_edge": "wholefield",
    "Confidence": "confidence",
    "confidence_json": "results_confidence",
    "passes_needed": "passcount",
    "PassesNeeded": "passcount",
    "Steering": "steering",
    "steering_effect": "steering",
    "SettingsCard": "card",
    "settings_card": "card",
    "analysis_json": "results",
    "widths_csv": "tables",
    "widths_frame": "tables",
    "profile_frame": "tables",
}

__all__ = ["__version__", *_PUBLIC]  # noqa: PLE0604 - the names are strings


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'spreadcheck' has no attribute '{name}'")
    value = getattr(importlib.import_module(f"spreadcheck.{_PUBLIC[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
