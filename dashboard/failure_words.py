"""What the heating has to do with a failure, in a technician's words: usually, and in the heat that was reviewed."""

from __future__ import annotations

from dashboard.failures import Failure, failure_of, failure_question
from dashboard.pull_facts import WORTH_TELLING, PullFacts
from dashboard.review_words import LIKELY, Ranked, percent, small, title
from dashboard.units import Units


def failed_lines(how: str | None, of: Ranked, pull: PullFacts, units: Units) -> list[str]:
    """What is told of the failure that an outcome names, or asked where its words are not clear, without full stops."""
    failure = failure_of(how)
    if failure is not None:
        return failure_words(failure, of, pull, units)
    question = failure_question(how)
    return [] if question is None else [question]


def failure_words(failure: Failure, of: Ranked, pull: PullFacts, units: Units) -> list[str]:
    """What the heating usually has to do with a failure, and whether this heat goes with it."""
    return [
        f"{failure.kind[0].upper()}{failure.kind[1:]}: the heating has to do with it "
        f"{failure.heating or 'nothing'} (common practice, no source)",
        _here(failure, of, pull, units),
        f"Outside the oven, never its fault: {failure.outside}",
    ]


def _here(failure: Failure, of: Ranked, pull: PullFacts, units: Units) -> str:
    going = _going(failure, of, pull, units)
    surely = [words for share, words in going if share >= LIKELY]
    perhaps = [words for share, words in going if share >= WORTH_TELLING]
    if surely:
        return f"Goes with it in this heat: {'; '.join(surely)}"
    if perhaps:
        return f"These readings cannot tell whether the heating goes with it; perhaps: {'; '.join(perhaps)}"
    if failure.causes and pull.lacking:
        return f"These readings cannot tell whether the heating goes with it: {pull.lacking}"
    return "Nothing found in this heat's heating goes with it: look outside the oven first"


def _going(failure: Failure, of: Ranked, pull: PullFacts, units: Units) -> list[tuple[float, str]]:
    """Findings and facts of the pull that go with a failure: probability and words. A fact is told as such, not as the
    cause that it may be too.
    """
    facts = [one for one in pull.all() if failure.goes_with(one.kind, None)]
    told = {one.kind for one in pull.all()}
    going = [one for one in of.findings if one.kind not in told and failure.goes_with(one.kind, one.size)]
    return [
        *((one.probability, f"{one.words} ({percent(one.probability)})") for one in facts),
        *((one.probability, f"{small(title(one, units))} ({percent(one.probability)})") for one in going),
    ]
