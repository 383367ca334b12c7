"""What state a sheet was in when it was pulled and how sure that is, whatever brought it there.

A ranking says what was otherwise than usual; that the core was cold is no cause, and may be sure where no cause is.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.diagnosis import FACE_OVERHEATED, PULLED_EARLY, PULLED_LATE, Diagnosis

#: From this probability on a fact is told.
WORTH_TELLING = 0.1


@dataclass(frozen=True)
class Fact:
    """One of them: the finding's kind that it would be as a cause, its probability, and a sentence in the past."""

    kind: str
    probability: float
    words: str

    @property
    def probably(self) -> str:
        """'the core was probably below its least at the pull'."""
        return self.words.replace(" was ", " was probably ", 1)


@dataclass(frozen=True)
class PullFacts:
    """The facts of one heat.

    Attributes:
        early, late, face: probability that the core was below its least, that a limit of core, drop or time was passed,
        that a face was over its limit. lacking: what keeps the readings from telling it, '' for nothing.
    """

    early: float
    late: float
    face: float
    lacking: str = ""

    def all(self) -> tuple[Fact, ...]:
        """Each with its words."""
        return (
            Fact(PULLED_EARLY, self.early, "the core was below its least at the pull"),
            Fact(PULLED_LATE, self.late, "a limit of core, drop or time was passed"),
            Fact(FACE_OVERHEATED, self.face, "a face was over its limit"),
        )


def pull_facts(of: Diagnosis, pulled: bool) -> PullFacts:
    """Of a diagnosis; a core that was cold where a record ends was not pulled so."""
    state = of.at_pull
    lacking = "" if of.misfit is not None else "nothing of the sheet was measured"
    return PullFacts(
        state.p_early if pulled else 0.0, state.p_late, state.p_face, lacking if pulled else "no pull is on record"
    )
