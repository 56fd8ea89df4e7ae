"""The scenario's numbers as arrays by drive and by model."""

from typing import Final

import numpy as np

from fleetbelt.simulation.geometry import gauge_spans_mm
from fleetbelt.simulation.scenario import DRIVES, MODELS

NEW, USED = 0, 1  # belt states, the second axis below

RANGE_LOG_N: Final = np.log([[d.new.newtons, d.used.newtons] for d in DRIVES])
LOW, HIGH = RANGE_LOG_N[..., 0], RANGE_LOG_N[..., 1]  # (n_drives, 2), log N
TARGET: Final = np.log(np.exp(RANGE_LOG_N).mean(axis=2))  # (n_drives, 2), log N
SPAN_MM: Final = gauge_spans_mm()  # (n_drives, 2)
MASS_KG_M: Final = np.array([(d.mass_g_per_m or 86.0) / 1e3 for d in DRIVES])

DRIFT: Final = np.array([m.drift for m in MODELS])  # beta, per 1,000 mi
RUN_IN: Final = np.array([m.run_in for m in MODELS])  # lambda
SETTING: Final = np.array([m.setting for m in MODELS])  # m
SHAPE: Final = np.array([m.shape for m in MODELS])
SCALE_MI: Final = np.array([m.scale_mi for m in MODELS])
