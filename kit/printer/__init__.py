"""What this printer can do: reach, melting, layer time, mass and print time, before anything is printed."""

from kit.printer.assess import PrintAssessment, assess_prints
from kit.printer.physics import (
    effective_speed,
    filament_length_m,
    layer_time_s,
    line_cross_section,
    mass_g,
    melt_limit_at,
    move_time_s,
    peak_speed,
    plain,
    print_time_min,
    share_at_speed,
    throughput,
)
from kit.printer.remarks import FINE, LOOK_TWICE, NOT_POSSIBLE, list_runs, setting_limits

__all__ = [
    "FINE",
    "LOOK_TWICE",
    "NOT_POSSIBLE",
    "PrintAssessment",
    "assess_prints",
    "effective_speed",
    "filament_length_m",
    "layer_time_s",
    "line_cross_section",
    "list_runs",
    "mass_g",
    "melt_limit_at",
    "move_time_s",
    "peak_speed",
    "plain",
    "print_time_min",
    "setting_limits",
    "share_at_speed",
    "throughput",
]
