"""Depth from shifted pairs: simulates pairs of exposures, reads both films, and counts the depths inside their stated doubt.

    python scripts/check_depth.py [FIRST] [LAST]     pairs FIRST … LAST - 1, default 0 … 40; seven seconds a pair

Each pair: a plate 10, 14 or 20 mm thick with one pore or slag inclusion of 1.6 to 2.4 mm, source moved 80, 120 or 160 mm along
the weld at 500, 600 or 700 mm; stations count from a mark on the cap, the source side. Written to a folder that is removed.
"""

from __future__ import annotations

import sys
import tempfile
import tomllib
from pathlib import Path

import numpy as np

from rtscan.findings import Worksheet
from rtscan.job import Job
from rtscan.pipeline import read_film
from rtscan.reading.load import load_films
from rtscan.repair.depth import measure_depths
from rtscan.simulate.files import simulate, write_film
from rtscan.simulate.key import make_key
from rtscan.simulate.recipe import Recipe


def recipe(number: int, rng: np.random.Generator) -> Recipe:
    """Pair `number`."""
    wall = float(rng.choice([10.0, 14.0, 20.0]))
    size = float(rng.uniform(1.6, 2.4))
    flaw = {"type": str(rng.choice(["gas pore", "isolated slag inclusion"])), "depth_mm": float(rng.uniform(1.5, wall - 1.5)),
            "along_mm": float(rng.uniform(92, 108)), "across_mm": float(rng.uniform(-3, 3)),
            "length_mm": size, "width_mm": 0.95 * size, "height_mm": size}
    return Recipe.model_validate({
        "name": f"P{number}", "film": {"width_mm": 80, "height_mm": 50, "class": "C3"}, "scan": {"pixels_per_mm": 14},
        "weld": {"name": "P", "wall_mm": wall, "joint": "plate", "ripple_mm": 0.05, "roughness": 0.6, "stops_mm": []},
        "exposure": {"source": "x-ray", "kv": 200 if wall < 15 else 240, "source_to_film_mm": float(rng.choice([500.0, 600.0, 700.0])),
                     "object_to_film_mm": 1.0, "focal_mm": 1.0},
        "place": {"station_at_middle_mm": 100.0}, "pair": "two exposures", "pair_shift_mm": float(rng.choice([80.0, 120.0, 160.0])),
        "imperfections": [flaw],
    })


def one_pair(number: int, folder: Path) -> tuple[float, float, float] | None:
    """True depth, depth found, stated doubt; None when the mark was not found on both films."""
    rng = np.random.default_rng([77, number])
    plan = recipe(number, rng)
    sheets: list[Worksheet] = []
    places = []
    for film in simulate(plan, rng):
        written = write_film(film, folder)
        job = Job.model_validate(tomllib.loads(written.job.read_text(encoding="utf-8")))
        loaded = load_films(written.film, job)[0]
        sheets.append(read_film(loaded, job, None).worksheet)
        places.append(make_key(film.exposed, loaded.facts).indications[0].indication)
    distance = plan.exposure.source_to_film_mm or 0.0
    found = measure_depths(sheets[0], sheets[1], plan.pair_shift_mm, distance, "source", "source")
    true = places[0]
    assert true.centre_px is not None
    near = {i.id for i in sheets[0].indications if i.centre_px and np.hypot(*np.subtract(i.centre_px, true.centre_px)) < 14}
    hits = [d for d in found.depths if d.indication in near]
    return (true.depth_mm or 0.0, hits[0].depth_mm or 0.0, hits[0].depth_u_mm) if hits else None


def main() -> None:
    first, last = (int(a) for a in sys.argv[1:3]) if len(sys.argv) > 2 else (0, 40)
    inside = found = 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, last):
            result = one_pair(number, Path(folder))
            if result is None:
                print(f"pair {number}: not found on both films")
                continue
            true, depth, doubt = result
            found += 1
            good = abs(depth - true) <= doubt
            inside += good
            print(f"pair {number}: true {true:.2f} mm, found {depth:.2f} ± {doubt:.2f} mm, {'inside' if good else 'OUTSIDE'}")
    print(f"{inside} of {found} depths inside their stated doubt; {last - first - found} pairs without a depth")


if __name__ == "__main__":
    main()
