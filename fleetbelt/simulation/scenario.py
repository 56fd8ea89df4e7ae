"""The invented fleet: depots, vehicle models, drives, ranges and their truths.

Every name is made up, every range is published only in this fleet's handbook.
"""

from dataclasses import dataclass
from typing import Final

from fleetbelt.units import NEWTONS_PER

DEPOTS: Final = ("Haldermoor", "Wexholt", "Pellstead", "Crannowby", "Marrowfen")
UNCORRECTING_SHOP: Final = 1  # Wexholt: nobody there corrects the gauge
HANDBOOK: Final = "Haldermoor fleet handbook"
DUTIES: Final = ("urban", "mixed", "highway")
DUTY_SHARE: Final = (0.35, 0.4, 0.25)
DUTY_DAILY_MI: Final = (55.0, 70.0, 90.0)

# The odd ones out recur, so that a larger fleet has its share of them.
EVERY_GAUGE, EVERY_TECHNICIAN = 12, 15
SHORT_SPAN_GAUGE: Final = 2  # G-03 under-reads badly on short spans
TWO_SPAN_GAUGE: Final = 3  # G-04 was calibrated at two spans only
VIBRATION_GAUGE: Final = 4
HIGH_GAUGE: Final = 6  # G-07 over-reads at every span
PUSH_GAUGE: Final = 9
UNCALIBRATED_GAUGE: Final = 11  # G-12 was never calibrated
RECHECK_SKIPPER: Final = 8  # T-09 skips the run-in recheck
LOOSE_SETTER: Final = 10  # T-11 sets loose

NOISES: Final = ("squeal", "chirp", "whine", "rumble", "other")
NOISE_PER_1000_MI: Final = (0.0035, 0.0020, 0.0012, 0.0008, 0.0010)
NOISE_DOSE_SLACK: Final = (10.0, 7.0, 0.0, 0.0, 0.0)  # log rate per log unit under
NOISE_DOSE_EXCESS: Final = (0.0, 0.0, 9.0, 7.0, 0.0)  # log rate per log unit over
BEARING_PER_1000_MI: Final = 0.0030
BEARING_DOSE_EXCESS: Final = 7.0
OTHER_FAULTS_PER_1000_MI: Final = 0.0030

LIFE_DOSE_SLACK: Final = -2.0  # log life per log unit under the minimum
LIFE_DOSE_EXCESS: Final = -1.5  # log life per log unit over the maximum
BREAKS_ON_ROAD: Final = 0.35  # share of failures; the others are found at a visit
FOUND_REASONS: Final = ("worn", "cracked", "noise")
FOUND_SHARE: Final = (0.4, 0.35, 0.25)
MISC_REASONS: Final = ("contaminated", "accident", "other_work", "unknown")
MISC_SHARE: Final = (0.4, 0.15, 0.35, 0.1)

VISIT_MI: Final = 8000.0  # median miles between visits
HABIT_MEAN, HABIT_SD = -0.02, 0.04  # mu and sigma_b, log


@dataclass(frozen=True, slots=True, kw_only=True)
class TensionRange:
    """A published range as entered: value, value, unit."""

    low: float
    high: float
    unit: str

    @property
    def newtons(self) -> tuple[float, float]:
        """The range in newtons."""
        per = NEWTONS_PER[self.unit]
        return self.low * per, self.high * per


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """An accessory drive layout; pulleys are keyed in ``LAYOUTS``."""

    drive_id: str
    layout: str
    ribs: int
    alternator_pulley: str
    mass_g_per_m: float | None  # None: not in the fleet's books
    part_number: str
    new: TensionRange
    used: TensionRange
    page: int | None  # None: no range is published for this drive


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleModel:
    """A vehicle model and the truth about its belts.

    Attributes
    ----------
    main : tuple of (int, int)
        Indices in ``DRIVES`` of the usual and of the variant main drive.
    variant_share : float
        Share of vehicles with the variant.
    second : int or None
        Index of the second belt's drive.
    drift : float
        beta, log tension lost per 1,000 mi.
    run_in : float
        lambda, log tension lost in the first minutes of running.
    setting : float
        m, log offset of settings on this model.
    shape, scale_mi : float
        Weibull belt life of a belt installed in range.
    """

    name: str
    share: float
    main: tuple[int, int]
    variant_share: float
    second: int | None
    drift: float
    run_in: float
    setting: float
    shape: float
    scale_mi: float


# accessory, x mm, y mm, diameter mm, side, gauge_access of the span to the next
PulleyRow = tuple[str, float, float, float, str, str]
LAYOUTS: Final[dict[str, tuple[PulleyRow, ...]]] = {
    "five": (
        ("crankshaft", 0, 0, 150, "ribbed", "no"),
        ("compressor", 235, 40, 120, "ribbed", "yes"),
        ("alternator", 250, 262, 60, "ribbed", "no"),
        ("idler", 135, 205, 76, "back", "no"),
        ("water_pump", -10, 265, 130, "ribbed", "yes"),
    ),
    "tall": (
        ("crankshaft", 0, 0, 160, "ribbed", "no"),
        ("alternator", 300, 165, 58, "ribbed", "yes"),
        ("water_pump", 20, 290, 140, "ribbed", "yes"),
    ),
    "square": (
        ("crankshaft", 0, 0, 140, "ribbed", "no"),
        ("compressor", 205, -25, 118, "ribbed", "yes"),
        ("alternator", 215, 185, 56, "ribbed", "no"),
        ("water_pump", 15, 230, 120, "ribbed", "yes"),
    ),
    "pair": (
        ("crankshaft", 0, 0, 135, "ribbed", "yes"),
        ("compressor", 290, 45, 124, "ribbed", "no"),
    ),
    "large": (
        ("crankshaft", 0, 0, 165, "ribbed", "no"),
        ("idler", 200, 110, 80, "back", "no"),
        ("compressor", 330, 60, 125, "ribbed", "yes"),
        ("alternator", 320, 390, 62, "ribbed", "no"),
        ("water_pump", 5, 330, 135, "ribbed", "yes"),
    ),
    "close": (
        ("crankshaft", 0, 0, 130, "ribbed", "no"),
        ("alternator", 180, 150, 55, "ribbed", "yes"),
        ("water_pump", 0, 178, 115, "ribbed", "yes"),
    ),
    "small": (
        ("crankshaft", 0, 0, 112, "ribbed", "no"),
        ("compressor", 160, -20, 94, "ribbed", "yes"),
        ("alternator", 168, 144, 50, "ribbed", "yes"),
        ("water_pump", 12, 180, 96, "ribbed", "no"),
    ),
}


def _lbf(low: float, high: float) -> TensionRange:
    return TensionRange(low=low, high=high, unit="lbf")


def _newton(low: float, high: float) -> TensionRange:
    return TensionRange(low=low, high=high, unit="N")


def _kgf(low: float, high: float) -> TensionRange:
    return TensionRange(low=low, high=high, unit="kgf")


DRIVES: Final = (
    Drive(
        drive_id="C3-A",
        layout="five",
        ribs=6,
        alternator_pulley="solid",
        mass_g_per_m=105.0,
        part_number="HB-61500",
        new=_lbf(114, 128),
        used=_lbf(90, 120),
        page=41,
    ),
    Drive(
        drive_id="C3-B",
        layout="five",
        ribs=6,
        alternator_pulley="decoupler",
        mass_g_per_m=105.0,
        part_number="HB-61500",
        new=_lbf(122, 137),
        used=_lbf(97, 129),
        page=42,
    ),
    Drive(
        drive_id="B5-A",
        layout="tall",
        ribs=5,
        alternator_pulley="solid",
        mass_g_per_m=88.0,
        part_number="HB-51315",
        new=_newton(420, 475),
        used=_newton(330, 440),
        page=57,
    ),
    Drive(
        drive_id="Q6-A",
        layout="large",
        ribs=7,
        alternator_pulley="one_way",
        mass_g_per_m=124.0,
        part_number="HB-71900",
        new=_newton(600, 670),
        used=_newton(470, 625),
        page=73,
    ),
    Drive(
        drive_id="Q6-2",
        layout="pair",
        ribs=4,
        alternator_pulley="solid",
        mass_g_per_m=70.0,
        part_number="HB-40995",
        new=_newton(340, 382),
        used=_newton(265, 355),
        page=74,
    ),
    Drive(
        drive_id="O4-A",
        layout="close",
        ribs=5,
        alternator_pulley="solid",
        mass_g_per_m=None,
        part_number="HB-50910",
        new=_kgf(44, 49.5),
        used=_kgf(34.5, 46),
        page=88,
    ),
    Drive(
        drive_id="O4-B",
        layout="close",
        ribs=5,
        alternator_pulley="one_way",
        mass_g_per_m=None,
        part_number="HB-50910",
        new=_kgf(47, 53),
        used=_kgf(37, 49),
        page=89,
    ),
    Drive(
        drive_id="T7-A",
        layout="square",
        ribs=6,
        alternator_pulley="solid",
        mass_g_per_m=107.0,
        part_number="HB-61205",
        new=_newton(510, 572),
        used=_newton(400, 530),
        page=102,
    ),
    Drive(
        drive_id="V8-A",
        layout="small",
        ribs=4,
        alternator_pulley="solid",
        mass_g_per_m=72.0,
        part_number="HB-40940",
        new=_lbf(76, 86),
        used=_lbf(60, 80),
        page=117,
    ),
    Drive(
        drive_id="V8-2",
        layout="pair",
        ribs=3,
        alternator_pulley="solid",
        mass_g_per_m=54.0,
        part_number="HB-30995",
        new=_lbf(57, 64),
        used=_lbf(45, 60),
        page=None,
    ),
)

MODELS: Final = (
    VehicleModel(
        name="Corrie 3",
        share=0.26,
        main=(0, 1),
        variant_share=0.25,
        second=None,
        drift=0.0044,
        run_in=0.17,
        setting=0.004,
        shape=3.2,
        scale_mi=92_000.0,
    ),
    VehicleModel(
        name="Brindlet 5",
        share=0.20,
        main=(2, 2),
        variant_share=0.0,
        second=None,
        drift=0.0035,
        run_in=0.15,
        setting=-0.008,
        shape=2.8,
        scale_mi=104_000.0,
    ),
    VehicleModel(
        name="Quarrow 6",
        share=0.12,
        main=(3, 3),
        variant_share=0.0,
        second=4,
        drift=0.0050,
        run_in=0.18,
        setting=0.010,
        shape=3.5,
        scale_mi=84_000.0,
    ),
    VehicleModel(
        name="Ondrel 4",
        share=0.18,
        main=(5, 6),
        variant_share=0.3,
        second=None,
        drift=0.0056,
        run_in=0.19,
        setting=-0.004,
        shape=2.6,
        scale_mi=76_000.0,
    ),
    VehicleModel(
        name="Tesk 7",
        share=0.16,
        main=(7, 7),
        variant_share=0.0,
        second=None,
        drift=0.0040,
        run_in=0.16,
        setting=0.0,
        shape=3.0,
        scale_mi=96_000.0,
    ),
    VehicleModel(
        name="Vennick 8",
        share=0.08,
        main=(8, 8),
        variant_share=0.0,
        second=9,
        drift=0.0062,
        run_in=0.17,
        setting=-0.002,
        shape=3.8,
        scale_mi=70_000.0,
    ),
)
