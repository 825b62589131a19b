"""Tray tests of granular-fertiliser spreaders: from tray weights to an effective width.

The public names are listed once, below; each is loaded when it is first used, so `import spreadcheck` is instant.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

# module -> the public names that it holds
_MODULES = {
    "sheet.labels": "LABELS METHODS",
    "limits": "LIMITS Limit",
    "errors": (
        "SpreadcheckError SheetError QuantityError NoSpreadError WidthError CostError OutputError MissingExtraError "
        "Fault"
    ),
    "units": "parse_quantity to_inside from_inside",
    "sheet.traytest": "TrayTest tray_test catch_g both_sides",
    "sheet.traysheet": "read_sheet sheet_text write_sheet",
    "product.throw": "ThrowSetting Weather study_throw",
    "crew.recording": "Recording start_recording enter_weight",
    "spread.profile": "Profile profile_of profile_from",
    "spread.overlap": "overlapped_deposit deposit_shares bout_deposit",
    "spread.evenness": "coefficient_of_variation",
    "spread.widths": "Scan default_widths parse_widths scan_widths scan_methods",
    "spread.bands": "WidthCurve width_curves width_bands",
    "judge.blend": "NutrientAnalysis assess_blend read_analysis",
    "judge.batch": "find_sheets run_batch",
    "doubts.doubt": "Doubt Explanation",
    "doubts.register": "CHECKS",
    "passes.granules": "tray_noise",
    "passes.passes": "Passes passes_of",
    "crew.plan": "PlanRequest Plan plan_line planned_sheet",
    "pattern.reading": "PatternReading read_pattern",
    "judge.assessment": "Assessment Bout assess",
    "improve.compare": "compare",
    "improve.tune": "tune",
    "product.readings": "Readings read_readings read_product_file",
    "product.product": "Product product_of form_rows",
    "product.chart": "Chart read_chart find_settings",
    "product.rate": (
        "RateSettings RateCheck check_rate rate_from_trays rate_from_area rate_from_catch rate_at_width "
        "corrected_factor"
    ),
    "money.pricefile": "CostBasis read_price_file basis_from",
    "money.response": "response_curve mean_yield yield_loss",
    "money.economics": "WidthStudy study_widths",
    "field.edge": "EdgeStudy study_edge",
    "field.deposit": "deposit_map best_switching_m",
    "field.study": "Asked FieldStudy study_field study_fields",
    "show.field": "field_json field_document field_figure",
    "field.places": "read_boundary",
    "field.track": "read_track",
    "field.plan": "plan_field",
    "judge.confidence": "Confidence",
    "show.confidence": "confidence_json",
    "judge.passcount": "passes_needed PassesNeeded",
    "judge.steering": "Steering steering_effect",
    "show.card": "SettingsCard settings_card",
    "show.analyse": "analysis_json widths_csv widths_frame profile_frame",
}
_PUBLIC = {name: module for module, names in _MODULES.items() for name in names.split()}

__all__ = ["__version__", *_PUBLIC]  # noqa: PLE0604 - the names are strings


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'spreadcheck' has no attribute '{name}'")
    value = getattr(importlib.import_module(f"spreadcheck.{_PUBLIC[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
