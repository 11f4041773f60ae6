"""Height through the wall from contrast, where the film's own wires tell how it shows metal.

On a film whose density grows in step with exposure, the density that primary radiation makes behind the flaw-free weld, P, becomes
P · exp(μ · h) where h of metal lacks; scatter S comes from all around and stays. So h = ln(1 + contrast / P) / μ, with μ = (contrast per mm
at the wires) / (P at the wires), and P = density − fog − S. S is a share of the density beside the weld: scattered over primary
radiation as the rule of thumb has it for the metal gone through (`SCATTER_PER_MM`), weakened because a bead lets less through than the
parent metal around it (`SCATTER_AROUND`, from the simulated exploration films).

Only what the network takes for a pore gets a height, and only with wires; otherwise it is None, which acceptance reads as "depth needed":
attenuation of the declared source alone misses by up to a factor of two; slag takes out about half as much as a void, and the metal of
bright ones is not known; along a line contrast varies, one narrower than the blur shows only height times width, and the background takes
an unknown part of what is wide.

Budget, relative standard uncertainties in quadrature, k = 2: wires (their fit); law (scatter and hardening, `LAW_DOUBT`, an estimate from
the simulated exploration films); noise (one over signal-to-noise); size (the fit holds height times area, so what the lesser axis is in
doubt by, the height is too).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log1p

import numpy as np

from rtscan.film import Background, Region
from rtscan.findings import Indication
from rtscan.job import Job
from rtscan.reading.net import KINDS
from rtscan.reading.quality.contrast import FOG, SCATTER_PER_MM, Contrast, weld_rows

PORE = f"net_kind_{KINDS.index('pore')}"
SCATTER_AROUND = 0.6
UNKNOWN_THROUGH_MM = 10.0
"""Metal gone through when the job sheet does not tell it."""
LEAST_PRIMARY = 0.1
"""Least share of the net density that is primary: tenfold build-up is more than any wall that is radiographed makes."""
LAW_DOUBT, LINEAR_DOUBT = 0.2, 0.35
"""Relative standard uncertainty of metal by this law, and by contrast per mm alone on relative density."""
VOID_BAR = 0.7
"""Least share of the network for a pore."""
MOST_WIDTH_MM = 2.5
"""The background follows a part of what is wider."""
LEAST_PORES, MOST_PROPORTION = 4, 2.5
"""Gas pores are about as deep as wide (common practice, no published source): so many of them, in the middle deeper than that by more than
this, contradict the law of the film. It is doubted by a third, so such a factor is no chance; blur and grain make pores shallower, not
deeper."""


@dataclass(frozen=True)
class MetalLaw:
    """How density tells metal on one film: density lost per mm where the primary net density is `primary`, scatter as density, both None
    on relative density; `doubt` the relative standard uncertainty of a height."""

    per_mm: float
    doubt: float
    primary: float | None = None
    scatter: float = 0.0

    def height_mm(self, contrast: float, density: float) -> float:
        """mm of metal that lacks where the flaw-free weld has `density` and the indication is so much darker."""
        if self.primary is None:
            return contrast / self.per_mm
        net = max(0.1, density - FOG)
        primary = max(net - self.scatter, LEAST_PRIMARY * net)
        return self.primary / self.per_mm * log1p(contrast / primary)


def metal_law(contrast: Contrast | None, backgrounds: tuple[Background, ...], job: Job) -> MetalLaw | None:
    """The law of a film; None without wires."""
    if contrast is None or contrast.blur_mm is None or contrast.per_mm <= 0:
        return None
    at = contrast.at_wires
    beside = [b.strip.density[~weld_rows(b.strip, 1.0) & b.strip.usable] for b in backgrounds]
    if at is None or not any(len(v) for v in beside):
        return MetalLaw(contrast.per_mm, float(np.hypot(contrast.per_mm_u / 2, LINEAR_DOUBT)))
    through = (job.weld.wall_mm or UNKNOWN_THROUGH_MM / 2) * (2 if (job.exposure.technique or "DW").startswith("DW") else 1)
    ratio = SCATTER_PER_MM * through
    scatter = SCATTER_AROUND * ratio / (1 + ratio) * max(0.0, float(np.median(np.concatenate(beside))) - FOG)
    primary = max(at.net_density - scatter, LEAST_PRIMARY * at.net_density)
    return MetalLaw(at.per_mm, float(np.hypot(contrast.per_mm_u / 2, LAW_DOUBT)), primary, scatter)


def height_of(
    region: Region, background: Background, law: MetalLaw | None, width_mm: float, width_u_mm: float
) -> tuple[float, float] | None:
    """Height in mm and its expanded uncertainty (k = 2); None where contrast does not tell it. Width: of the greatest inner circle."""
    void = region.tone == "dark" and region.features["fitted"] and region.features.get(PORE, 0.0) >= VOID_BAR
    if law is None or not void or not 0 < width_mm <= MOST_WIDTH_MM:
        return None
    rows, columns = background.flawfree.shape
    at = np.round(region.outline).astype(int)
    density = float(np.median(background.flawfree[at[:, 1].clip(0, rows - 1), at[:, 0].clip(0, columns - 1)]))
    height = law.height_mm(region.contrast, density)
    parts = [law.doubt, 1.0 / max(1.0, region.score), 0.5 * width_u_mm / width_mm]
    return height, 2.0 * height * float(np.sqrt(np.sum(np.square(parts))))


def contradicted(indications: Sequence[Indication]) -> bool:
    """Whether a film's pores, taken together, are deeper than pores can be: then the wires do not tell how it shows metal at the weld."""
    proportions = [i.height_mm / i.local_width_mm for i in indications if i.height_mm and i.local_width_mm]
    return len(proportions) >= LEAST_PORES and float(np.median(proportions)) > MOST_PROPORTION
