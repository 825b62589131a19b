"""Tray tests of granular-fertiliser spreaders: from tray weights to an effective width.

The public names are listed once, below; each is loaded when it is first used, so `import spreadcheck` is instant.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

# public name -> module that holds it
_PUBLIC = {
    "LABELS": "sheet.labels",
    "METHODS": "sheet.labels",
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
    "TrayTest": "sheet.traytest",
    "tray_test": "sheet.traytest",
    "catch_g": "sheet.traytest",
    "both_sides": "sheet.mirror",
    "read_sheet": "sheet.traysheet",
    "sheet_text": "sheet.traysheet",
    "write_sheet": "sheet.traysheet",
    "ThrowSetting": "product.release",
    "Weather": "product.release",
    "study_throw": "product.throw",
    "Recording": "crew.recording",
    "start_recording": "crew.recording",
    "enter_weight": "crew.answers",
    "Profile": "spread.profile",
    "profile_of": "spread.profile",
    "profile_from": "spread.profile",
    "overlapped_deposit": "spread.overlap",
    "deposit_shares": "spread.overlap",
    "bout_deposit": "spread.overlap",
    "coefficient_of_variation": "spread.evenness",
    "Scan": "spread.widths",
    "default_widths": "spread.widths",
    "parse_widths": "spread.widths",
    "scan_widths": "spread.widths",
    "scan_methods": "spread.widths",
    "WidthCurve": "spread.bands",
    "width_curves": "spread.bands",
    "width_bands": "spread.bands",
    "NutrientAnalysis": "judge.blend",
    "assess_blend": "judge.blend",
    "read_analysis": "judge.nutrients",
    "find_sheets": "judge.batch",
    "run_batch": "judge.batch",
    "Doubt": "doubts.doubt",
    "Explanation": "doubts.doubt",
    "CHECKS": "doubts.register",
    "tray_noise": "passes.granules",
    "Passes": "passes.passes",
    "passes_of": "passes.passes",
    "PlanRequest": "crew.plan",
    "Plan": "crew.plan",
    "plan_line": "crew.plan",
    "planned_sheet": "crew.plan",
    "PatternReading": "pattern.reading",
    "read_pattern": "pattern.reading",
    "Assessment": "judge.assessment",
    "Bout": "judge.assessment",
    "assess": "judge.assessment",
    "compare": "improve.compare",
    "tune": "improve.tune",
    "Readings": "product.readings",
    "read_readings": "product.readings",
    "read_product_file": "product.readings",
    "Product": "product.product",
    "product_of": "product.product",
    "form_rows": "product.product",
    "Chart": "product.chart",
    "read_chart": "product.chart",
    "find_settings": "product.chart",
    "RateSettings": "product.rate",
    "RateCheck": "product.rate",
    "check_rate": "product.rate",
    "rate_from_trays": "product.rate",
    "rate_from_area": "product.rate",
    "rate_from_catch": "product.rate",
    "rate_at_width": "product.rate",
    "corrected_factor": "product.rate",
    "CostBasis": "money.pricefile",
    "read_price_file": "money.pricefile",
    "basis_from": "money.pricefile",
    "response_curve": "money.response",
    "mean_yield": "money.response",
    "yield_loss": "money.response",
    "WidthStudy": "money.economics",
    "study_widths": "money.economics",
    "EdgeStudy": "field.edge",
    "study_edge": "field.edge",
    "deposit_map": "field.deposit",
    "Asked": "field.case",
    "FieldStudy": "field.case",
    "study_field": "field.study",
    "study_fields": "field.study",
    "field_json": "show.field",
    "field_document": "show.field",
    "field_figure": "show.fieldmap",
    "read_boundary": "field.places",
    "read_track": "field.track",
    "plan_field": "field.plan",
    "best_switching_m": "field.deposit",
    "Confidence": "judge.confidence",
    "confidence_json": "show.confidence",
    "passes_needed": "judge.passcount",
    "PassesNeeded": "judge.passcount",
    "Steering": "judge.steering",
    "steering_effect": "judge.steering",
    "SettingsCard": "show.card",
    "settings_card": "show.card",
    "analysis_json": "show.analyse",
    "widths_csv": "show.analyse",
    "widths_frame": "show.analyse",
    "profile_frame": "show.analyse",
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
