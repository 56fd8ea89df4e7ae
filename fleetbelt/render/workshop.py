"""The shop owner's page: how belts are set, by whom, with which gauge."""

from fleetbelt.render import people, retension, shares, talk, work_done
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import Page, Section, Sentence, asked_once, sentence


def page(frames: Frames) -> Page:
    """Return the workshop page."""
    sections: list[Section] = []
    lead: Sentence = ("How belts are left, and what setting them again changes.",)
    if frames.has("results.technician_results"):
        sections += [
            people.in_range(frames),
            people.habit(frames),
            people.hold(frames),
            work_done.retensions(frames),
            people.rechecks(frames),
            work_done.complaints(frames),
        ]
        lead = sentence(
            "People are compared with what their work would bring by chance, never by "
            "rank, {gauge}",
            gauge="and never without the gauge they had."
            if people.is_calibrated(frames)
            else "but no gauge was calibrated: one that is off counts as the person's.",
        )
    sections += [retension.before_and_after(frames), shares.by_group(frames, "shop")]
    return Page(
        name="workshop",
        title="The workshop: how belts are set",
        lead=lead,
        sections=asked_once(*sections),
        context={"talks": talk.links(frames)},
    )
