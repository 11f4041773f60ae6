"""Recipes in, films out: the only file of this room that touches the disk."""

from __future__ import annotations

import difflib
import hashlib
import io
import json
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ValidationError

from rtscan import __version__
from rtscan.errors import RecipeError
from rtscan.findings import FilmFacts
from rtscan.record_json import to_json
from rtscan.simulate.groove import cap_width_mm
from rtscan.simulate.key import SCHEMA, Key, make_key
from rtscan.simulate.population import random_recipe
from rtscan.simulate.recipe import Recipe, SetPart
from rtscan.simulate.render import SimulatedFilm, develop, expose, render
from rtscan.simulate.scanner import Grey, grey_to_density
from rtscan.writing import write_bytes, write_text


@dataclass(frozen=True)
class Written:
    """The files of one film."""

    film: Path
    key: Path
    job: Path


def load_recipe(path: Path) -> Recipe:
    """The recipe of one film. Raises RecipeError with every mistake, also when the file describes a random set."""
    table = _toml(path)
    if "set" in table:
        raise RecipeError(str(path), "describes a random set, not one film; use `rtscan simulate` or give a recipe without [set]")
    return _recipe(path, table)


def load_recipes(path: Path, rng: np.random.Generator) -> tuple[Recipe, ...]:
    """The recipe of a file, or the recipes drawn for its random set. Raises RecipeError with every mistake."""
    table = _toml(path)
    if "set" not in table:
        return (_recipe(path, table),)
    try:
        wanted = SetPart.model_validate(table["set"])
    except ValidationError as wrong:
        raise RecipeError(str(path), _problems(wrong, SetPart, "set")) from None
    fixed = {name: value for name, value in table.items() if name != "set"}
    _recipe(path, fixed)
    out = []
    for k, child in enumerate(rng.spawn(wanted.count)):
        technique = wanted.technique[int(child.integers(len(wanted.technique)))]
        drawn = random_recipe(wanted.level, technique, child, wanted.max_imperfections, wanted.clean_share)
        merged = _merged(drawn.model_dump(by_alias=True, exclude_unset=True), fixed)
        merged["name"] = f"{wanted.name}-{k + 1:0{max(len(str(wanted.count)), 2)}d}"
        merged["weld"].setdefault("name", f"{wanted.name} {k + 1}")  # else a set run would join them as one weld
        out.append(_recipe(path, merged))
    return tuple(out)


def own_seed(path: Path) -> int:
    """The seed written in a recipe file, 0 when there is none. Raises RecipeError when it is no whole number from 0."""
    seed = _toml(path).get("seed", 0)
    if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
        raise RecipeError(str(path), f"seed {seed!r} is not a whole number from 0; put it right")
    return seed


def simulate(recipe: Recipe, rng: np.random.Generator) -> tuple[SimulatedFilm, ...]:
    """The film of a recipe, or both films of a pair: two films of one holder (same part, other grain), or two exposures (source moved)."""
    if not recipe.pair:
        return (render(recipe, rng),)
    names = [recipe.model_copy(update={"name": f"{recipe.name}-{end}", "pair": ""}) for end in "ab"]
    if recipe.pair == "two films":
        part_rng, *film_rngs = rng.spawn(3)
        exposed = expose(recipe, part_rng)
        return tuple(develop(replace(exposed, recipe=named), child) for named, child in zip(names, film_rngs, strict=True))
    part_seed = int(rng.integers(2**63))
    out = []
    for named, sign, child in zip(names, (-0.5, 0.5), rng.spawn(2), strict=True):
        exposure = named.exposure.model_copy(update={"shift_mm": named.exposure.shift_mm + sign * recipe.pair_shift_mm})
        moved = named.model_copy(update={"exposure": exposure})
        out.append(develop(expose(moved, np.random.default_rng(part_seed)), child))
    return tuple(out)


def write_film(film: SimulatedFilm, out_dir: Path) -> Written:
    """Writes NAME.tif, NAME.key.json and NAME.job.toml, each whole or not at all."""
    recipe = film.recipe
    data = _tiff(film.grey, recipe.scan.pixels_per_mm)
    stem = recipe.name
    files = Written(out_dir / f"{stem}.tif", out_dir / f"{stem}.key.json", out_dir / f"{stem}.job.toml")
    facts = film_facts(film, files.film.name, hashlib.sha256(data).hexdigest())
    write_bytes(files.film, data)
    write_text(files.key, key_text(make_key(film.exposed, facts), recipe))
    write_text(files.job, job_text(film))
    return files


def film_facts(film: SimulatedFilm, file: str, sha256: str) -> FilmFacts:
    """Facts of the film file as a reader would find them."""
    scan = film.recipe.scan
    return FilmFacts(
        file=file,
        sha256=sha256,
        width_px=film.grey.shape[1],
        height_px=film.grey.shape[0],
        bits=scan.bits,
        look=scan.look,
        look_reason="declared",
        grey_is=scan.grey_is,
        density_calibrated=bool(grey_to_density(scan)),
        pixels_per_mm=scan.pixels_per_mm,
        scale_from="job sheet",
        scale_uncertainty=0.0,
    )


def _tiff(grey: Grey, pixels_per_mm: float) -> bytes:
    import tifffile

    buffer = io.BytesIO()
    tifffile.imwrite(
        buffer,
        grey,
        photometric="minisblack",
        compression=None,
        resolution=(pixels_per_mm * 10, pixels_per_mm * 10),
        resolutionunit="CENTIMETER",
        metadata=None,
        software=f"rtscan {__version__} (simulated film)",
    )
    return buffer.getvalue()


def key_text(key: Key, recipe: Recipe) -> str:
    """The key as JSON: keys of the worksheet, and those of the contract's answer key beside each indication."""
    indications = []
    for item in key.indications:
        row = to_json(item.indication)
        row |= {
            "recipe": item.recipe,
            "visible_contrast": item.visible_contrast,
            "detectability": item.detectability,
            "true_outline_px": [list(p) for p in item.true_outline_px],
        }
        indications.append(row)
    document = {
        "schema": SCHEMA,
        "tool": f"rtscan {__version__}",
        "simulated": True,
        "film": to_json(key.film),
        "weld": to_json(key.weld),
        "indications": indications,
        "groups": [to_json(g) for g in key.groups],
        "objects": [to_json(o) for o in key.objects],
        "density": {"weld": key.density_weld, "parent": key.density_parent},
        "unsharpness_mm": key.unsharpness_mm,
        "recipe": recipe.model_dump(mode="json", by_alias=True, exclude_none=True),
    }
    return json.dumps(document, ensure_ascii=False, allow_nan=False) + "\n"


def job_text(film: SimulatedFilm) -> str:
    """The job sheet a reader would be given with the film."""
    lines = ["# Simulated film: nothing here is a real weld."]
    for name, rows in _job_sections(film).items():
        kept = {k: v for k, v in rows.items() if v is not None and v not in ([], "")}
        if kept:
            lines += ["", f"[{name}]", *(f"{k} = {_toml_value(v)}" for k, v in kept.items())]
    return "\n".join(lines) + "\n"


def _job_sections(film: SimulatedFilm) -> dict[str, dict[str, Any]]:
    recipe = film.recipe
    weld, exposure, scan = recipe.weld, recipe.exposure, recipe.scan
    around = film.exposed.geometry.around_mm
    faces = 1 if weld.preparation == "J" else 2
    preparation = {"square": "I"}.get(weld.preparation, f"{weld.preparation} {faces * weld.bevel_deg:g}")
    return {
        "film": {
            "pixels_per_mm": scan.pixels_per_mm,
            "look": scan.look,
            "grey_is": scan.grey_is,
            "grey_to_density": [list(p) for p in grey_to_density(scan)],
            "class": recipe.film.class_,
        },
        "weld": {
            "name": weld.name,
            "od_mm": weld.od_mm,
            "wall_mm": weld.wall_mm,
            "joint": weld.joint or ("girth" if weld.od_mm else "plate"),
            "preparation": preparation,
            "process": weld.process,
            "layers": "multi" if weld.wall_mm > 4 else "single",
            "cap_width_mm": round(cap_width_mm(weld), 1),
            "length_mm": around,
            "material": weld.material,
            "welders": list(weld.welders),
        },
        "exposure": {
            "technique": exposure.technique,
            "source": exposure.source,
            "kv": exposure.kv if exposure.source == "x-ray" else None,
            "focal_mm": exposure.focal_mm,
            "source_to_film_mm": round(film.exposed.geometry.source_to_film, 3),
            "object_to_film_mm": exposure.object_to_film_mm,
        },
        "location": _location_section(film),
        "testing": recipe.testing.model_dump(mode="json", by_alias=True, exclude_none=True),
        "iqi": _iqi_section(recipe),
        "acceptance": recipe.acceptance.model_dump(mode="json", exclude_none=True),
    }


def _location_section(film: SimulatedFilm) -> dict[str, Any]:
    """Where stations start: the middle of the wall at the source on double images, else a marker in the middle of the film."""
    recipe = film.recipe
    double = recipe.exposure.technique.startswith("DWDI")
    location = {k: v for k, v in recipe.location.model_dump(mode="json", exclude_none=True).items() if v != ""}
    if double:
        location["station_at_middle_mm"] = recipe.place.station_at_middle_mm
    else:
        frame = film.exposed.geometry.frames[0]
        x, y = film.exposed.raster.to_px(*film.exposed.geometry.project(frame.middle, 0.0, 0.0, frame.wall))
        location |= {"marker_px": [round(float(x), 1), round(float(y), 1)], "marker_station_mm": frame.middle}
    return location


def _iqi_section(recipe: Recipe) -> dict[str, Any]:
    if not recipe.iqi:
        return {}
    first = recipe.iqi[0]
    return {"kind": first.kind, "set": first.set, "side": first.side}


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(round(value, 6))
    if isinstance(value, list):
        return "[" + ", ".join(_toml_value(v) for v in value) + "]"
    return json.dumps(str(value), ensure_ascii=False)


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as problem:
        raise RecipeError(str(path), f"cannot be read ({problem.strerror or problem}); check the name") from problem
    except UnicodeDecodeError as problem:
        raise RecipeError(str(path), "is not a text file in UTF-8; save the recipe as UTF-8 text") from problem
    except (ValueError, RecursionError) as problem:  # ValueError: no TOML, or a whole number of thousands of digits
        raise RecipeError(str(path), f"is not valid TOML ({problem}); put the line right") from problem


def _recipe(path: Path, table: dict[str, Any]) -> Recipe:
    try:
        recipe = Recipe.model_validate(table)
    except ValidationError as wrong:
        raise RecipeError(str(path), _problems(wrong, Recipe)) from None
    name = recipe.name
    if not name or name in (".", "..") or any(c in name for c in '/\\:*?"<>|\0') or not name.isprintable() or len(name) > 120:
        raise RecipeError(str(path), f"name {name!r} cannot be a file name; use letters, digits, hyphens")
    if recipe.film.width_mm * recipe.film.height_mm * recipe.scan.pixels_per_mm**2 > 400e6:
        raise RecipeError(str(path), "the film would have over 400 megapixels; lower scan.pixels_per_mm or the film size")
    problems = _iqi_problems(recipe)
    if problems:
        raise RecipeError(str(path), problems)
    return recipe


def _iqi_problems(recipe: Recipe) -> tuple[str, ...]:
    from rtscan.knowledge.iqi import plaque
    from rtscan.simulate.marks import wires_of

    out = []
    for k, iqi in enumerate(recipe.iqi):
        try:
            if iqi.kind in ("ISO-wire", "ASTM-wire"):
                wires_of(iqi)
            elif iqi.kind == "hole" and plaque(iqi.set) is None:
                raise ValueError(f"plaque {iqi.set!r} is not known; give its number, such as 15 (5 to 180)")
        except ValueError as problem:
            out.append(f"iqi.{k}.set: {problem}")
    return tuple(out)


def _merged(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for name, value in over.items():
        out[name] = _merged(out[name], value) if isinstance(value, dict) and isinstance(out.get(name), dict) else value
    return out


def _problems(wrong: ValidationError, model: type[BaseModel], head: str = "") -> tuple[str, ...]:
    """One line per mistake: where, what, what to do; an unknown key names the nearest known one."""
    lines = []
    for error in wrong.errors():
        where = ".".join(str(p) for p in ((head,) if head else ()) + error["loc"])
        if error["type"] == "extra_forbidden":
            known = _known_keys(model, error["loc"][:-1])
            near = difflib.get_close_matches(str(error["loc"][-1]), known, n=1, cutoff=0.0)
            hint = f"the nearest known key is {near[0]}" if near else "take it out"
            lines.append(f"{where} is not a key of a recipe; {hint}")
        else:
            text = error["msg"].removeprefix("Value error, ")
            says = text if "; " in text else f"{text}; correct it"
            lines.append(f"{where}: {says}" if where else says)
    return tuple(lines)


def _known_keys(model: type[BaseModel], place: tuple[int | str, ...]) -> list[str]:
    current: type[BaseModel] | None = model
    for step in place:
        if isinstance(step, int) or current is None:
            continue
        field = next((f for n, f in current.model_fields.items() if step in (n, f.alias)), None)
        current = _model_of(field.annotation) if field is not None else None
    return [f.alias or n for n, f in current.model_fields.items()] if current is not None else []


def _model_of(kind: Any) -> type[BaseModel] | None:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return kind
    return next((m for a in getattr(kind, "__args__", ()) if (m := _model_of(a)) is not None), None)
