"""The order of making a film: anatomy, rays, metal, dose, scatter, density, grain, scan, key. No files, no printing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from rtscan.film import F32, F64
from rtscan.findings import ObjectMark
from rtscan.simulate.anatomy import ACROSS_STEP_MM, ALONG_STEP_MM, Relief, WallRelief, make_relief
from rtscan.simulate.artefacts import mark_dose, mark_film
from rtscan.simulate.beads import smooth_noise
from rtscan.simulate.beam import Beam, geometric_unsharpness_mm, inherent_unsharpness_mm, make_beam, scattered
from rtscan.simulate.emulsion import FilmLaw, detector_law, film_law, grain_shape, unit_grain
from rtscan.simulate.flaws import build
from rtscan.simulate.geometry import Geometry, Surface, WallFrame, trace
from rtscan.simulate.groove import cap_width_mm
from rtscan.simulate.images import add_patch, broad, disc, gaussian, lookup, stretch
from rtscan.simulate.imaging import Patch, Raster, render_body
from rtscan.simulate.marks import FlatPatch, duplex_patch, hole_patch, iqi_frame_text, letter_patch, wire_patches
from rtscan.simulate.recipe import FlawWall, LetterPart, Recipe, WeldPart
from rtscan.simulate.scanner import Grey, scan
from rtscan.simulate.site import Flaw, Site

BLOCK_ROWS = 256
LATTICE = 4
SLIT_SIGMA = 0.2887
"""Standard deviation of an even slit of width 1: the Gaussian that stands for the inherent unsharpness has the same."""


@dataclass(frozen=True)
class SeenFlaw:
    """A flaw as it lies on the film: its bodies' patches, and the same as signed steel (mm, film pixels) blurred and sharp."""

    flaw: Flaw
    recipe_line: int
    patches: tuple[Patch, ...]
    x0: int
    y0: int
    blurred: F32
    sharp: F32


@dataclass(frozen=True)
class Exposed:
    """Everything known of the film before grain and scan, for the key. Arrays are float32 (rows, columns)."""

    recipe: Recipe
    geometry: Geometry
    raster: Raster
    beam: Beam
    law: FilmLaw
    reliefs: dict[str, WallRelief]
    thickness: F32
    parent_mm: F32
    dose: F32
    field: F32
    exposure: float
    fog: float
    flaws: tuple[SeenFlaw, ...]
    marks: tuple[ObjectMark, ...]


@dataclass(frozen=True)
class SimulatedFilm:
    """A film: grey values (uint8 or uint16, (rows, columns)) and what is known of it."""

    grey: Grey
    exposed: Exposed

    @property
    def recipe(self) -> Recipe:
        """The recipe in full."""
        return self.exposed.recipe

    def recipe_lines_off_the_film(self) -> tuple[int, ...]:
        """Imperfections of the recipe (0 is the first) of which nothing lies on the film."""
        seen = {flaw.recipe_line for flaw in self.exposed.flaws}
        return tuple(k for k in range(len(self.recipe.imperfections)) if k not in seen)


def render(recipe: Recipe, rng: np.random.Generator) -> SimulatedFilm:
    """Makes the film of a recipe. The same recipe and generator state give the same film."""
    part_rng, film_rng = rng.spawn(2)
    exposed = expose(recipe, part_rng)
    return develop(exposed, film_rng)


def expose(recipe: Recipe, rng: np.random.Generator) -> Exposed:
    """The part and the radiation: everything up to the dose in the film."""
    weld_rng, flaw_rng, mark_rng = rng.spawn(3)
    geometry = trace(recipe)
    raster = _raster(recipe, geometry)
    beam = make_beam(recipe.exposure, recipe.weld.material)
    reliefs = _reliefs(recipe, geometry, weld_rng)
    thickness, nearness = _parent(geometry, raster)
    parent = thickness.copy()
    for surface in geometry.surfaces:
        relief = reliefs[surface.wall]
        _add_relief(thickness, relief.external if surface.side == "external" else relief.internal, surface, geometry, raster)
    flaws = _flaws(recipe, geometry, raster, reliefs, beam, thickness, flaw_rng)
    for seen in flaws:
        add_patch(thickness, seen.blurred, seen.x0, seen.y0)
    np.maximum(thickness, 0.0, out=thickness)
    marks = _add_marks(recipe, geometry, raster, beam, thickness, mark_rng)
    field = _field(recipe, raster, mark_rng)
    field *= nearness
    dose = _dose(recipe, beam, thickness, field, raster.pixels_per_mm)
    fog = 0.0 if recipe.scan.grey_is == "dose" else recipe.film.fog
    law = detector_law(recipe.film.class_) if recipe.scan.grey_is == "dose" else film_law(recipe.film.class_)
    exposure = float(law.dose(max(recipe.film.density - fog, 0.05))) / _reference(recipe, dose, geometry, raster)
    return Exposed(recipe, geometry, raster, beam, law, reliefs, thickness, parent, dose, field, exposure, fog, flaws, marks)


def develop(exposed: Exposed, rng: np.random.Generator) -> SimulatedFilm:
    """The film and the scanner: density, grain, artefacts, grey. Two films of one holder are two calls with one `exposed`."""
    recipe, raster = exposed.recipe, exposed.raster
    dose_rng, grain_rng, film_rng, scan_rng = rng.spawn(4)
    law = exposed.law
    dose, dose_marks = mark_dose(exposed.dose, recipe, raster, dose_rng, float(law.dose(2.0)) / exposed.exposure)
    density = _by_rows(lambda d: law.net_density(exposed.exposure * d), dose)
    grain = unit_grain(density.shape, 1.0 / raster.pixels_per_mm, grain_rng, grain_shape(recipe.film))
    for top in range(0, raster.height, BLOCK_ROWS):
        rows = slice(top, top + BLOCK_ROWS)
        grain[rows] *= law.grain(density[rows]).astype(np.float32)
    density += grain
    density += np.float32(exposed.fog)
    del grain
    film_marks = mark_film(density, recipe, raster, film_rng)
    grey = scan(density, recipe.scan, scan_rng)
    marks = (*exposed.marks, *dose_marks, *film_marks)
    return SimulatedFilm(grey, _with_marks(exposed, marks))


def _with_marks(exposed: Exposed, marks: tuple[ObjectMark, ...]) -> Exposed:
    return replace(exposed, marks=marks)


def _by_rows(function: Callable[[F32], F32 | F64], image: F32) -> F32:
    """Applies a pointwise function in blocks of rows, so that large films need little memory."""
    out = np.empty_like(image)
    for top in range(0, image.shape[0], BLOCK_ROWS):
        out[top : top + BLOCK_ROWS] = function(image[top : top + BLOCK_ROWS])
    return out


def _raster(recipe: Recipe, geometry: Geometry) -> Raster:
    ppm = recipe.scan.pixels_per_mm
    middles = []
    for frame in geometry.frames:
        if recipe.exposure.technique == "DWSI" and frame.wall == "source":
            continue
        middles.append(float(geometry.project(frame.middle, 0.0, 0.0, frame.wall)[1]))
    z0 = float(np.mean(middles)) - recipe.place.off_middle_mm
    width, height = round(recipe.film.width_mm * ppm), round(recipe.film.height_mm * ppm)
    return Raster(width, height, ppm, recipe.place.angle_deg, 0.0, z0)


def _reliefs(recipe: Recipe, geometry: Geometry, rng: np.random.Generator) -> dict[str, WallRelief]:
    reliefs: dict[str, WallRelief] = {}
    for frame in geometry.frames:
        reach = 0.6 * float(np.hypot(recipe.film.width_mm, recipe.film.height_mm)) + 10.0
        if geometry.around_mm is not None:
            reach = min(1.2 * reach, 0.5 * geometry.around_mm)
        low, n = frame.middle - reach, int(2 * reach / ALONG_STEP_MM) + 2
        weld = _near(recipe.weld, geometry, frame.wall)
        across = 0.6 * max(recipe.film.width_mm, recipe.film.height_mm)
        reliefs[frame.wall] = make_relief(weld, _centreline(recipe, frame, low, n, rng), low, rng, across)
    return reliefs


def _near(weld: WeldPart, geometry: Geometry, wall: FlawWall) -> WeldPart:
    """The weld with its stations brought within half a circumference of the wall's middle."""
    rows = {name: tuple(float(geometry.unwrapped(s, wall)) for s in getattr(weld, name) or ()) for name in ("tacks_mm", "seams_mm")}
    stops = None if weld.stops_mm is None else tuple(float(geometry.unwrapped(s, wall)) for s in weld.stops_mm)
    return weld.model_copy(update={**rows, "stops_mm": stops})


def _centreline(recipe: Recipe, frame: WallFrame, low: float, n: int, rng: np.random.Generator) -> F64:
    """Weld centreline across, from the weld plane: bow over the film length and slow wander."""
    along = low + ALONG_STEP_MM * np.arange(n)
    share = (along - frame.middle) / (0.5 * max(recipe.film.width_mm, recipe.film.height_mm))
    bow = frame.sense * recipe.place.bow_mm * (np.clip(share, -1.6, 1.6) ** 2 - 0.33)
    return np.asarray(bow + recipe.place.waviness_mm * smooth_noise(n, ALONG_STEP_MM, 55.0, rng))


def _parent(geometry: Geometry, raster: Raster) -> tuple[F32, F32]:
    """Parent metal along the rays, mm, and the inverse square of the distance (1 at the source-to-film distance), both float32."""
    offset, step = geometry.recipe.exposure.offset_mm, float(geometry.c[1] - geometry.c[0])
    out, nearness = np.empty(raster.shape, dtype=np.float32), np.empty(raster.shape, dtype=np.float32)
    x = np.arange(raster.width, dtype=np.float64)
    for top in range(0, raster.height, BLOCK_ROWS):
        y = np.arange(top, min(top + BLOCK_ROWS, raster.height), dtype=np.float64)
        c, z = raster.to_mm(x[None, :], y[:, None])
        position = ((c[:1] if raster.turn_deg == 0.0 else c) - geometry.c[0]) / step
        reach = lookup(geometry.reach, position)
        longer = np.float32(1.0) + ((z - offset).astype(np.float32) / reach) ** 2
        out[top : top + BLOCK_ROWS] = lookup(geometry.wall_path, position) * np.sqrt(longer)
        nearness[top : top + BLOCK_ROWS] = (np.float32(geometry.source_to_film) / reach) ** 2 / longer
    return out, nearness


def _add_relief(thickness: F32, relief: Relief, surface: Surface, geometry: Geometry, raster: Raster) -> None:
    """Adds one surface of one wall, blurred by the geometric unsharpness of its height."""
    rows = _row_range(relief, surface, geometry, raster)
    if rows is None:
        return
    recipe = geometry.recipe
    layer = np.zeros((rows[1] - rows[0], raster.width), dtype=np.float32)
    for top in range(rows[0], rows[1], BLOCK_ROWS):
        count = min(BLOCK_ROWS, rows[1] - top)
        along, across, slant = _seen_surface(relief, surface, geometry, raster, top, count)
        block = cv2.remap(relief.height, along, across, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        layer[top - rows[0] : top - rows[0] + count] = block * slant
    height = (1.0 - float(np.nanmedian(surface.tau))) * geometry.source_to_film
    blur = geometric_unsharpness_mm(recipe.exposure.focal_mm, height, geometry.source_to_film) * raster.pixels_per_mm
    if surface.wall == "source" and recipe.exposure.technique == "DWSI":
        layer = broad(layer, float(np.clip(blur / 4.0, 0.3, 400.0)))
    else:
        layer = disc(layer, blur)
    thickness[rows[0] : rows[1]] += layer


def _seen_surface(relief: Relief, surface: Surface, geometry: Geometry, raster: Raster, top: int, count: int) -> tuple[F32, F32, F32]:
    """Column and row of the relief, and slant, for `count` film rows from `top`: exact every LATTICE pixels, interpolated between."""
    offset, sense, met = geometry.recipe.exposure.offset_mm, geometry.frame(surface.wall).sense, np.isfinite(surface.tau)
    x = 0.5 * (LATTICE - 1) + LATTICE * np.arange(-(-raster.width // LATTICE), dtype=np.float64)
    y = top + 0.5 * (LATTICE - 1) + LATTICE * np.arange(-1, -(-count // LATTICE) + 1, dtype=np.float64)
    c, z = raster.to_mm(x[None, :], y[:, None])
    tau = np.interp(c, geometry.c[met], surface.tau[met], left=-1e4, right=-1e4)
    along = (np.interp(c, geometry.c[met], surface.station[met]) - relief.from_mm) / ALONG_STEP_MM
    across = (sense * (offset + tau * (z - offset)) + relief.half_mm) / ACROSS_STEP_MM
    across = np.where(tau < 0, -1e6, across)
    slant = np.interp(c, geometry.c[met], surface.slant[met])
    size = (x.size * LATTICE, y.size * LATTICE)
    fine = [cv2.resize(v.astype(np.float32), size, interpolation=cv2.INTER_LINEAR) for v in (along, across, slant)]
    kept = [np.ascontiguousarray(v[LATTICE : LATTICE + count, : raster.width], dtype=np.float32) for v in fine]
    return kept[0], kept[1], kept[2]


def _row_range(relief: Relief, surface: Surface, geometry: Geometry, raster: Raster) -> tuple[int, int] | None:
    """Rows of the film that a relief can reach."""
    if raster.turn_deg != 0.0:
        return 0, raster.height
    offset = geometry.recipe.exposure.offset_mm
    c, _ = raster.to_mm(np.asarray([0.0, raster.width - 1.0]), np.zeros(2))
    seen = np.isfinite(surface.tau) & (geometry.c >= c[0] - 1) & (geometry.c <= c[1] + 1)
    if not seen.any():
        return None
    z = np.concatenate([offset + (sign * relief.half_mm - offset) / surface.tau[seen] for sign in (-1.0, 1.0)])
    _, y = raster.to_px(np.zeros_like(z), z)
    top, bottom = max(int(y.min()) - 12, 0), min(int(y.max()) + 12, raster.height)
    return (top, bottom) if bottom > top else None


def _flaws(
    recipe: Recipe, geometry: Geometry, raster: Raster, reliefs: dict[str, WallRelief], beam: Beam, thickness: F32, rng: np.random.Generator
) -> tuple[SeenFlaw, ...]:
    seen = []
    still = recipe.exposure.model_copy(update={"shift_mm": 0.0})  # a moved source must not move what is drawn
    aim = geometry if recipe.exposure.shift_mm == 0 else trace(recipe.model_copy(update={"exposure": still}))
    children = rng.spawn(len(recipe.imperfections))
    for line, (part, child) in enumerate(zip(recipe.imperfections, children, strict=True)):
        wall = part.wall if part.wall in reliefs else geometry.frames[0].wall
        site = Site(recipe.weld, reliefs[wall], wall, *_window(aim, raster, wall))
        local = part if part.along_mm is None else part.model_copy(update={"along_mm": float(geometry.unwrapped(part.along_mm, wall))})
        for flaw in build(local, site, child):
            shown = _see(flaw, line, geometry, raster, beam, thickness)
            if shown is not None:
                seen.append(shown)
    return tuple(seen)


def _window(geometry: Geometry, raster: Raster, wall: str) -> tuple[float, float]:
    """Stations of a wall's centreline that lie on the film and, on a pipe, within the covered part."""
    frame = geometry.frame("film" if wall == "film" else "source")
    half = 0.5 * float(np.hypot(raster.width, raster.height)) / raster.pixels_per_mm
    if geometry.around_mm is not None:
        half = min(
            half,
            0.5 * np.arcsin(0.9) * geometry.around_mm / np.pi * (1.0 if geometry.recipe.exposure.technique.startswith("DWDI") else 1.2),
        )
    s = np.linspace(frame.middle - half, frame.middle + half, 800)
    x, y = raster.to_px(*geometry.project(s, 0.0, 0.0, frame.wall))
    border = geometry.recipe.film.border_mm * raster.pixels_per_mm
    inside = (x > border) & (x < raster.width - border) & (y > border) & (y < raster.height - border)
    return (float(s[inside].min()), float(s[inside].max())) if inside.any() else (frame.middle, frame.middle)


def _see(flaw: Flaw, line: int, geometry: Geometry, raster: Raster, beam: Beam, thickness: F32) -> SeenFlaw | None:
    found = [(body, patch) for body in flaw.bodies if (patch := render_body(body, geometry, raster)) is not None]
    if not found:
        return None
    patches = tuple(patch for _, patch in found)
    x0, y0 = min(p.x0 for p in patches), min(p.y0 for p in patches)
    x1 = max(p.x0 + p.fine.shape[1] // p.over for p in patches)
    y1 = max(p.y0 + p.fine.shape[0] // p.over for p in patches)
    blurred, sharp = np.zeros((y1 - y0, x1 - x0), dtype=np.float32), np.zeros((y1 - y0, x1 - x0), dtype=np.float32)
    for body, patch in found:
        plain = patch.plain()
        behind = _behind(thickness, patch.x0, patch.y0, plain.shape)
        for target, metal in ((blurred, patch.on_film(raster.pixels_per_mm)), (sharp, plain)):
            steel = beam.equivalent_steel(body.substance, metal, behind).astype(np.float32) if body.substance != "carbon steel" else metal
            add_patch(target, steel if body.adds else steel - metal, patch.x0 - x0, patch.y0 - y0)
    return SeenFlaw(flaw, line, patches, x0, y0, blurred, sharp)


def _behind(thickness: F32, x0: int, y0: int, shape: tuple[int, ...]) -> float:
    part = thickness[max(y0, 0) : max(y0 + shape[0], 1), max(x0, 0) : max(x0 + shape[1], 1)]
    return float(np.mean(part)) if part.size else float(np.mean(thickness[::16, ::16]))


def _add_marks(
    recipe: Recipe, geometry: Geometry, raster: Raster, beam: Beam, thickness: F32, rng: np.random.Generator
) -> tuple[ObjectMark, ...]:
    """Draws indicators and letters into the thickness; returns the objects of the key."""
    patches: list[FlatPatch] = []
    marks: list[ObjectMark] = []
    for iqi in recipe.iqi:
        height = _iqi_height(recipe, geometry, iqi.side)
        magnification = geometry.source_to_film / (geometry.source_to_film - height)
        if iqi.kind == "hole":
            some, said = hole_patch(iqi, raster, height, magnification, rng)
        elif iqi.kind == "duplex":
            some, said = duplex_patch(iqi, raster, height, magnification)
        else:
            some, said = wire_patches(iqi, raster, height, magnification, rng)
        patches += some
        marks += said
        if iqi.label and iqi.kind != "hole":
            label = LetterPart(
                text=iqi_frame_text(iqi),
                along_mm=iqi.along_mm,
                across_mm=(iqi.across_mm or 0.0) - 0.5 * iqi.wire_length_mm - 4,
                height_mm=5.5,
                lead_mm=0.8,
            )
            letter, mark = letter_patch(label, raster, height, rng)
            patches += [letter] if letter is not None else []
            marks.append(mark)
    for text in recipe.letters:
        letter, mark = letter_patch(text, raster, recipe.exposure.object_to_film_mm, rng)
        patches += [letter] if letter is not None else []
        marks.append(mark)
    for patch in patches:
        blur = geometric_unsharpness_mm(recipe.exposure.focal_mm, patch.height_mm, geometry.source_to_film) * raster.pixels_per_mm
        metal = disc(patch.thickness, blur)
        behind = _behind(thickness, patch.x0, patch.y0, metal.shape)
        steel = metal if patch.substance == "carbon steel" else beam.equivalent_steel(patch.substance, metal, behind).astype(np.float32)
        add_patch(thickness, steel, patch.x0, patch.y0)
    return tuple(marks)


def _iqi_height(recipe: Recipe, geometry: Geometry, side: str) -> float:
    if side == "film":
        return recipe.exposure.object_to_film_mm
    if recipe.exposure.technique.startswith("DWDI"):
        return recipe.exposure.object_to_film_mm + (recipe.weld.od_mm or 0.0)
    return recipe.exposure.object_to_film_mm + recipe.weld.wall_mm + max(recipe.weld.cap_height_mm, 0.0)


def _dose(recipe: Recipe, beam: Beam, thickness: F32, field: F32, ppm: float) -> F32:
    """Total dose: primary blurred by the inherent unsharpness, plus scatter, times the uneven exposure."""
    primary = _by_rows(beam.dose_image, thickness)
    dose = scattered(recipe, primary, thickness, ppm)
    sigma = SLIT_SIGMA * inherent_unsharpness_mm(recipe.exposure) * ppm
    dose += gaussian(primary, sigma)
    dose *= field
    return dose


def _field(recipe: Recipe, raster: Raster, rng: np.random.Generator) -> F32:
    """Uneven exposure over the film: slow drift and the ends, as a factor."""
    nodes = rng.standard_normal((7, 11))
    x, y = np.linspace(-1, 1, 32), np.linspace(-1, 1, 24)[:, None]
    drift = stretch(gaussian(nodes, 1.6), (24, 32))
    drift = drift / (np.abs(drift).max() + 1e-9)
    ends = recipe.film.ends * np.clip((np.abs(x) - 0.55) / 0.45, 0, 1) ** 2
    return stretch(np.clip(1.0 + recipe.film.uneven * drift + ends + 0.0 * y, 0.05, 8.0), raster.shape)


def _reference(recipe: Recipe, dose: F32, geometry: Geometry, raster: Raster) -> float:
    """Median dose along the weld centreline, or beside it."""
    frame = geometry.frames[0]
    low, high = _window(geometry, raster, frame.wall)
    s = np.linspace(low, high, 200)
    across = 0.0 if recipe.film.density_at == "weld" else 0.5 * cap_width_mm(recipe.weld) + 5.0
    x, y = raster.to_px(*geometry.project(s, across, 0.0, frame.wall))
    columns, rows = np.clip(np.rint(x), 0, raster.width - 1).astype(int), np.clip(np.rint(y), 0, raster.height - 1).astype(int)
    return float(np.median(dose[rows, columns]))
