"""Imperfections by name: which function builds which kind."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rtscan.simulate import flaws_gas, flaws_planar, flaws_root, flaws_solid, flaws_surface
from rtscan.simulate.recipe import ImperfectionPart
from rtscan.simulate.site import Flaw, Site

Builder = Callable[[ImperfectionPart, Site, np.random.Generator], tuple[Flaw, ...]]

BUILDERS: dict[str, Builder] = {
    "gas pore": flaws_gas.gas_pore,
    "uniformly distributed porosity": flaws_gas.uniform_porosity,
    "clustered porosity": flaws_gas.cluster,
    "linear porosity": flaws_gas.linear_porosity,
    "elongated cavity": flaws_gas.elongated_cavity,
    "worm-hole": flaws_gas.worm_hole,
    "hollow bead": flaws_gas.hollow_bead,
    "crater pipe": flaws_gas.crater_pipe,
    "isolated slag inclusion": flaws_solid.isolated_slag,
    "linear slag inclusion": flaws_solid.linear_slag,
    "wagon tracks": flaws_solid.wagon_tracks,
    "tungsten inclusion": flaws_solid.tungsten,
    "copper inclusion": flaws_solid.copper,
    "protruding filler wire": flaws_solid.filler_wire,
    "lack of side-wall fusion": flaws_planar.sidewall_fusion,
    "lack of inter-run fusion": flaws_planar.interrun_fusion,
    "lack of root fusion": flaws_planar.root_fusion,
    "missed tie-in": flaws_root.missed_tie_in,
    "incomplete root penetration": flaws_planar.root_penetration,
    "root concavity": flaws_root.root_concavity,
    "continuous excess penetration": flaws_root.continuous_penetration,
    "local excess penetration": flaws_root.local_penetration,
    "burn-through": flaws_root.burn_through,
    "continuous undercut": flaws_surface.continuous_undercut,
    "intermittent undercut": flaws_surface.intermittent_undercut,
    "shrinkage groove": flaws_surface.shrinkage_groove,
    "incompletely filled groove": flaws_surface.underfill,
    "missed bevel edge": flaws_surface.missed_bevel,
    "longitudinal crack": flaws_planar.longitudinal_crack,
    "transverse crack": flaws_planar.transverse_crack,
    "crater crack": flaws_planar.crater_crack,
    "branching crack": flaws_planar.branching_crack,
    "spatter": flaws_surface.spatter,
    "stray arc": flaws_surface.stray_arc,
    "grinding mark": flaws_surface.grinding_mark,
    "excess weld metal": flaws_surface.excess_cap,
    "linear misalignment": flaws_surface.misalignment,
}


def build(part: ImperfectionPart, site: Site, rng: np.random.Generator) -> tuple[Flaw, ...]:
    """The flaws of one recipe line."""
    return BUILDERS[part.type](part, site, rng)
