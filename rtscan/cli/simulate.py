"""`rtscan simulate`: makes films with their answer keys."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rtscan.cli.terminal import Exit, warn, with_progress


def register(app: typer.Typer) -> None:
    """Adds the command."""

    @app.command("simulate", help="Makes simulated films with their answer keys and job sheets from a recipe, or a random set of them.")
    def simulate(
        recipe: Annotated[Path, typer.Argument(metavar="RECIPE.toml", help="The recipe of a film, or of a random set.")],
        seed: Annotated[int | None, typer.Option(min=0, help="Same seed, same film; the recipe's own seed (else 0) when left out.")] = None,
        out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the films.")] = Path("films"),
    ) -> None:
        import numpy as np

        from rtscan.simulate.files import load_recipes, own_seed, simulate, write_film

        start = own_seed(recipe) if seed is None else seed
        recipes = load_recipes(recipe, np.random.default_rng(start))
        for k, one in with_progress(list(enumerate(recipes)), "simulating", len(recipes)):
            for film in simulate(one, np.random.default_rng([start, k])):
                typer.echo(str(write_film(film, out).film))
                for line in film.recipe_lines_off_the_film():
                    warn(f"{film.recipe.name}: imperfection {line + 1} ({one.imperfections[line].type}) does not lie on the film")
        raise typer.Exit(Exit.DONE)
