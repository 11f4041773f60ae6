"""The focus rule: what a trainee misses is drawn more often.

Weight of a family = 1 + 4 m, with m = (missed + 1) / (met + 2), the miss share as if one hit and one miss more were known. A family
never met counts m = 1/2, one always found tends to weight 1, one always missed to weight 5. Naming counts half: a target found but
called by another family adds half a miss.

Faint ones: with f the share missed among the fainter half of the targets met (by detectability) and g that among the plainer half, the
detectability aimed at is drawn as the power 1 + (f - g), limited to 1 to 2, of an even number on the log scale: the more the faint ones
are missed, the more of them come.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from rtscan.imperfections import IMPERFECTIONS
from rtscan.practise.draw import Focus
from rtscan.practise.rows import TargetRow


def focus_on(targets: Sequence[TargetRow]) -> Focus:
    """The weights for the next session; even weights without targets."""
    families = sorted({i.family for i in IMPERFECTIONS})
    return Focus({name: 1 + 4 * _missed([t for t in targets if t.family == name]) for name in families} if targets else {}, _faint(targets))


def _missed(targets: Sequence[TargetRow]) -> float:
    lost = sum(1.0 if not t.found else 0.5 if t.call == "named" and t.called_family != t.family else 0.0 for t in targets)
    return (lost + 1) / (len(targets) + 2)


def _faint(targets: Sequence[TargetRow]) -> float:
    known = [(t.detectability, t.found) for t in targets if t.detectability is not None]
    if len(known) < 4:
        return 1.0
    middle = statistics.median(d for d, _ in known)
    faint, plain = ([not f for d, f in known if (d <= middle) == wanted] for wanted in (True, False))
    share = (sum(faint) / len(faint)) - (sum(plain) / len(plain) if plain else 0.0)
    return min(max(1.0 + share, 1.0), 2.0)
