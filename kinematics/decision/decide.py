"""One verdict, filled once: by the error of this arbitrary axis, or by the chance of such axes."""

from __future__ import annotations

from kinematics.closure.close import Closures
from kinematics.closure.stops import Stop
from kinematics.decision.by_chance import by_chance, not_measured
from kinematics.decision.by_error import by_error
from kinematics.decision.verdict import Verdict
from kinematics.uncertainty.risk import Risk


def decide(closed: Closures, risk: Risk | None = None, *, stop: Stop | None = None) -> Verdict:
    """Answer the question of a closed case.

    Parameters
    ----------
    closed : Closures
    risk : Risk, optional
        How sure it is, where the case has ``[uncertainty]``. Where the arbitrary axis was measured,
        it gives each way out its chance; where only a scatter of such axes is known, the chance is
        the answer.
    stop : Stop, optional
        The closures' own by default.
    """
    weigh = by_chance if not_measured(closed) else by_error
    return weigh(closed, risk, stop or closed.decision)
