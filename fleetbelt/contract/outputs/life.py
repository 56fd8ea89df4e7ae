"""How long belts last, and what their life depends on."""

from typing import Final

from fleetbelt.contract.tables import (
    Table,
    integer,
    real,
    text,
)

LIFE: Final[tuple[Table, ...]] = (
    Table(
        name="life_by_group",
        row="a model and band, with all",
        key=("model", "band"),
        columns=(
            text("model!", "a model, or all"),
            text(
                "band!",
                "install tension against the range, or all",
                "all loose under in_spec over tight unknown",
            ),
            integer("n!", "belts in the life model"),
            integer("failures!", "of them known to have failed"),
            real("shape", "Weibull shape; above 1 they wear out"),
            real("shape_lo", "lower 95 % limit (delta, log scale)"),
            real("shape_hi", "upper 95 % limit"),
            real("scale_mi", "miles by which 63.2 % have failed"),
            real("scale_lo", "lower 95 % limit"),
            real("scale_hi", "upper 95 % limit"),
            real("b10_mi", "miles by which 10 % have failed"),
            real("b10_lo", "lower 95 % limit"),
            real("b10_hi", "upper 95 % limit"),
            real("median_mi", "miles by which half have failed"),
            real("median_lo", "lower 95 % limit (delta, log scale)"),
            real("median_hi", "upper 95 % limit"),
            real("shape_profile_lo", "by profile likelihood, under 30 failures"),
            real("shape_profile_hi", "by profile likelihood, under 30 failures"),
            real("scale_profile_lo", "by profile likelihood, under 30 failures"),
            real("scale_profile_hi", "by profile likelihood, under 30 failures"),
            real("b10_profile_lo", "by profile likelihood, under 30 failures"),
            real("b10_profile_hi", "by profile likelihood, under 30 failures"),
            real("median_profile_lo", "by profile likelihood, under 30 failures"),
            real("median_profile_hi", "by profile likelihood, under 30 failures"),
        ),
    ),
    Table(
        name="life_curve",
        row="a step of a survival curve",
        key=("model", "band", "miles"),
        columns=(
            text("model!", "a model, or all"),
            text(
                "band!",
                "install tension against the range, or all",
                "all loose under in_spec over tight unknown",
            ),
            real("miles!", "since fitting, mi"),
            real("at_risk!", "belts at risk at that mile"),
            real("survival!", "share still running beyond it"),
            real("survival_lo", "lower 95 % limit"),
            real("survival_hi", "upper 95 % limit"),
            text("method!", "how it was estimated", "kaplan_meier piecewise_hazard"),
        ),
    ),
    Table(
        name="life_effects",
        row="a level of what is compared, of one regression of all belt lives",
        key=("term", "level"),
        columns=(
            text("term!", "what is compared", "model band duty alternator_pulley"),
            text("level!", "its level; in_spec, else the commonest known, is 1"),
            integer("belts!", "in the life model"),
            integer("failures!", "of them known to have failed"),
            real("time_ratio", "belts last so many times as long"),
            real("ratio_lo", "lower 95 % limit; null for the level compared to"),
            real("ratio_hi", "upper 95 % limit"),
            real("p_value", "of its known levels, by likelihood ratio"),
            text("reason", "why there is no ratio"),
        ),
    ),
    Table(
        name="life_tests",
        row="a question to that regression, by likelihood ratio",
        key=("term",),
        columns=(
            text(
                "term!",
                "what makes a difference: a term, bands differing by model, shapes",
                "model band duty alternator_pulley band_by_model shape_by_model",
            ),
            real("chi2", "twice the gain in log-likelihood"),
            integer("df", "coefficients or shapes more"),
            real("p_value", "upper tail of chi-squared"),
            text("reason", "why it was not tested"),
        ),
    ),
    Table(
        name="life_dose",
        row="a tension at install against the range",
        key=("relative",),
        columns=(
            real("relative!", "0 at the minimum of the range, 1 at the maximum"),
            real("time_ratio!", "life against that at the middle of the range"),
            real("ratio_lo!", "lower 95 % limit"),
            real("ratio_hi!", "upper 95 % limit"),
        ),
    ),
)
