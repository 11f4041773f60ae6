"""Fits the ranking (boosted trees) and the naming of types (additive logistic clues) on tables of candidates, and sets the bar."""

from __future__ import annotations

import hashlib
import json
import lzma
import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression

from rtscan.reading.type_clues import CLUES, clue_values

LEAST_DETECTABILITY = 2.0
LEAST_NAMED = 3.0
WEIGHT_OF_A_TRUTH = 3.0
"""All candidates of one truth together, where a false candidate weighs 1."""
FALSE_CALLS_PER_FILM = {"dark": 0.35, "metal": 0.06, "bright": 0.04}
FALSE_CALLS_PER_CLEAN_FILM = {"dark": 0.45, "metal": 0.1, "bright": 0.05}
"""Together below 0.5 a film and 0.7 a clean film: with 0.4 dark ones more sound exploration films were rejected. Soft bright calls get
least: on sound welds most are excess metal, which the eye sees on the part itself, and real beads are lumpier than ours."""
SEEN_BY = ("snr", "is_line", "length_mm", "area_mm2", "unusable_near", "on_lines", "from_end_mm", "fine_own", "fine_high",
           "fine_over_contrast", "inside_toe_mm", "extends_out")
"""What ranks dark candidates, beside all that the network says of them: size, and what tells marks of film and handling. By all 77 features
trees find one truth in a hundred more on simulated films, but learn that a lone round place is rather a sunken spot of the bead: of pores
planted on sound weld at signal-to-noise 18 they refused 25 % on simulated films and 28 % on real ones, these none and 4 % (seed 33)."""
RISING = {"dark": ("snr", "net_mean", "net_most", "net_high"), "bright": ("snr",)}
"""More of these is never less probable."""
LEAVES, ROUNDS = {"dark": 8, "bright": 20}, {"dark": 350, "bright": 700}
FIRST_BAR = 0.5
"""The bar until `set_bars` has read the calibration films."""
LEAST_OF_A_TYPE = 6
UNKNOWN_SCORE = -6.0
MOST_COUNTED = 4
"""False calls of one film and tone that count when the bar is set, so that a single lost film does not set it for all."""
TERMS = {
    "2011": "gas pore",
    "2015": "elongated cavity",
    "2016": "worm-hole",
    "2024": "crater pipe",
    "3011": "linear slag inclusion",
    "3012": "isolated slag inclusion",
    "3041": "tungsten inclusion",
    "3042": "copper inclusion",
    "3043": "protruding filler wire",
    "4011": "lack of side-wall fusion",
    "4012": "lack of inter-run fusion",
    "4013": "lack of root fusion",
    "4021": "incomplete root penetration",
    "5011": "undercut",
    "5012": "undercut",
    "5013": "shrinkage groove",
    "5041": "local excess penetration",
    "5042": "continuous excess penetration",
    "502": "excess weld metal",
    "507": "linear misalignment",
    "510": "burn-through",
    "511": "incompletely filled groove",
    "515": "root concavity",
    "517": "poor restart",
    "601": "stray arc",
    "602": "spatter",
    "604": "grinding mark",
    "1011": "longitudinal crack in the weld metal",
    "1021": "transverse crack in the weld metal",
    "104": "crater crack",
    "106": "branching crack",
}


def load(folder: Path, name: str) -> list[Any]:
    """The table of one set."""
    return list(pickle.loads(lzma.decompress((folder / f"{name}.pickle.xz").read_bytes())))


def fit_trees(folder: Path, models: Path, seeds: dict[str, Any]) -> None:
    """Writes rank_dark.onnx, rank_bright.onnx, types.json and detector.json into `models`."""
    training, calibration = load(folder, "training"), load(folder, "calibration")
    naming = load(folder, "naming") if (folder / "naming.pickle.xz").exists() else []
    if not naming:
        print("no table of the naming films: rare types are learnt from the films as drawn alone")
    names = tuple(n for n in next(t.names for t in training if t.names) if n != "arc")
    calibrations = {}
    for tone in ("dark", "bright"):
        ranking, file = _ranking(training, names, tone), f"rank_{tone}.onnx"
        _save_onnx(ranking, len(names), models / file)
        _check_onnx(ranking, matrix(calibration[0], names), models / file)
        calibrations[tone] = _calibrated(ranking, calibration, names, tone)
    bars = dict.fromkeys(FALSE_CALLS_PER_FILM, FIRST_BAR)
    (models / "types.json").write_text(json.dumps(_types([*training, *calibration], naming), ensure_ascii=False), encoding="utf-8")
    parts = ("weld.onnx", "net.onnx", "rank_dark.onnx", "rank_bright.onnx", "types.json")
    files = {f: hashlib.sha256((models / f).read_bytes()).hexdigest() for f in parts}
    recipe = {
        "name": f"detector draw {seeds['draw']}",
        "recipe": "scripts/train_detector",
        "data": dict(seeds),
        "films": {"training": len(training), "calibration": len(calibration), "naming": len(naming)},
        "sha256": files,
        "features": list(names),
        "calibration": calibrations,
        "bar": bars,
    }
    (models / "detector.json").write_text(json.dumps(recipe, indent=1) + "\n", encoding="utf-8")
    print(f"bar {bars}, calibration {calibrations}")


def matrix(table: Any, names: tuple[str, ...]) -> np.ndarray:
    """The features of a film in the order of `names`, shape (candidates, names)."""
    if not table.names:
        return np.zeros((0, len(names)), dtype=np.float32)
    at = {n: k for k, n in enumerate(table.names)}
    return np.asarray(table.features[:, [at[n] for n in names]], dtype=np.float32)


def _of_tone(x: np.ndarray, names: tuple[str, ...], tone: str) -> np.ndarray:
    """Which rows of a matrix are candidates of a tone."""
    return np.asarray(x[:, names.index("dark")] == float(tone == "dark"))


@dataclass(frozen=True)
class Ranking:
    """Boosted trees on some columns of the matrix of all features."""

    trees: HistGradientBoostingClassifier
    columns: tuple[int, ...]

    def odds(self, x: np.ndarray) -> np.ndarray:
        """Log-odds of every row of a matrix of all features."""
        return np.asarray(self.trees.decision_function(x[:, self.columns])) if len(x) else np.zeros(0)


def _ranking(tables: list[Any], names: tuple[str, ...], tone: str) -> Ranking:
    """Trees of one tone. All candidates of one truth weigh together what three false ones do: else the long strong flaws, each with
    dozens of pieces, are what the trees learn."""
    features, wanted, weight = [], [], []
    for t in tables:
        x, finds = matrix(t, names), np.array(t.finds, dtype=int)
        if not len(x):
            continue
        seen = np.array([f == -1 or (f >= 0 and t.truths[f]["detectability"] >= LEAST_DETECTABILITY) for f in t.finds])
        kept = seen & _of_tone(x, names, tone)
        pieces = np.bincount(finds[kept] + 1, minlength=len(t.truths) + 1)
        features.append(x[kept])
        wanted.append(finds[kept] >= 0)
        weight.append(np.where(wanted[-1], WEIGHT_OF_A_TRUTH / np.maximum(pieces[finds[kept] + 1], 1), 1.0) * (1.5 if t.clean else 1.0))
    columns = tuple(k for k, n in enumerate(names) if tone == "bright" or n in SEEN_BY or n.startswith("net_"))
    trees = HistGradientBoostingClassifier(max_iter=ROUNDS[tone], learning_rate=0.03, max_leaf_nodes=LEAVES[tone], min_samples_leaf=100,
                                           max_features=0.25, l2_regularization=20.0, random_state=0,
                                           monotonic_cst=[int(names[k] in RISING[tone]) for k in columns])  # fmt: skip
    print(f"ranking, {tone}: {sum(map(len, wanted))} candidates, {sum(map(np.sum, wanted))} of them true")
    return Ranking(trees.fit(np.concatenate(features)[:, columns], np.concatenate(wanted), sample_weight=np.concatenate(weight)), columns)


def _save_onnx(ranking: Ranking, width: int, path: Path) -> None:
    """Writes the trees as one ONNX tree ensemble over all features (node by node: left when value <= threshold); it answers log-odds."""
    from onnx import TensorProto, checker, helper

    nodes: dict[str, list[Any]] = {k: [] for k in ("treeids", "nodeids", "featureids", "modes", "values", "truenodeids", "falsenodeids")}
    leaves: dict[str, list[Any]] = {k: [] for k in ("treeids", "nodeids", "ids", "weights")}
    for tree, (predictor,) in enumerate(ranking.trees._predictors):
        for number, node in enumerate(predictor.nodes):
            leaf = bool(node["is_leaf"])
            row = (
                tree,
                number,
                0 if leaf else ranking.columns[int(node["feature_idx"])],
                "LEAF" if leaf else "BRANCH_LEQ",
                0.0 if leaf else float(node["num_threshold"]),
                0 if leaf else int(node["left"]),
                0 if leaf else int(node["right"]),
            )
            for key, value in zip(nodes, row, strict=True):
                nodes[key].append(value)
            if leaf:
                for key, value in zip(leaves, (tree, number, 0, float(node["value"])), strict=True):
                    leaves[key].append(value)
    ensemble = helper.make_node(
        "TreeEnsembleRegressor",
        ["features"],
        ["odds"],
        domain="ai.onnx.ml",
        n_targets=1,
        aggregate_function="SUM",
        base_values=[float(np.ravel(ranking.trees._baseline_prediction)[0])],
        post_transform="NONE",
        **{f"nodes_{k}": v for k, v in nodes.items()},
        **{f"target_{k}": v for k, v in leaves.items()},
    )
    graph = helper.make_graph(
        [ensemble],
        "rank",
        [helper.make_tensor_value_info("features", TensorProto.FLOAT, [None, width])],
        [helper.make_tensor_value_info("odds", TensorProto.FLOAT, [None, 1])],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 15), helper.make_opsetid("ai.onnx.ml", 3)], ir_version=8)
    checker.check_model(model)
    path.write_bytes(model.SerializeToString())


def _check_onnx(ranking: Ranking, x: np.ndarray, path: Path) -> None:
    import onnxruntime

    told = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"]).run(None, {"features": x})[0][:, 0]
    apart = np.abs(told - ranking.odds(x))
    print(f"largest difference between trees and ONNX: {apart.max():.1e} in log-odds")
    if np.median(apart) > 1e-3:
        raise SystemExit("the ONNX file does not answer as the trees do")


def _calibrated(ranking: Ranking, tables: list[Any], names: tuple[str, ...], tone: str) -> tuple[float, float]:
    """Slope and offset of the log-odds on films the trees have not seen (J. Platt, 1999)."""
    odds = np.concatenate([ranking.odds(matrix(t, names)) for t in tables])
    finds = np.concatenate([np.array(t.finds) for t in tables])
    known = (finds != -2) & np.concatenate([_of_tone(matrix(t, names), names, tone) for t in tables])
    fitted = LogisticRegression(C=1e3).fit(odds[known, None], finds[known] >= 0)
    return float(fitted.coef_[0, 0]), float(fitted.intercept_[0])


def set_bars(tables: list[Any], models: Path) -> None:
    """By the names of the bars the lowest that keeps both its false-call targets on films read as a whole; written into detector.json."""
    facts = json.loads((models / "detector.json").read_text(encoding="utf-8"))
    clean = sum(t.clean for t in tables)
    for name in FALSE_CALLS_PER_FILM:
        kept = []
        for bar in sorted({row[0] for t in tables for row in t.rows}):
            calls = [(t.clean, min(row[3], MOST_COUNTED), row[2]) for t in tables for row in t.rows if row[:2] == (bar, name)]
            everywhere, on_clean = sum(n for _, n, _ in calls) / len(tables), sum(n for c, n, _ in calls if c) / clean
            found = sum(f for _, _, f in calls) / max(1, sum(t.truths[name] for t in tables))
            print(f"{name} {bar:.2f}: {everywhere:.2f} false a film, {on_clean:.2f} a clean film, {found:.3f} found")
            if everywhere <= FALSE_CALLS_PER_FILM[name] and on_clean <= FALSE_CALLS_PER_CLEAN_FILM[name]:
                kept.append(bar)
        facts["bar"][name] = min(kept, default=1.0)
    (models / "detector.json").write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
    print(f"bars {facts['bar']}")


def _found(tables: list[Any]) -> tuple[list[dict[str, float]], list[str], list[int]]:
    """Features, true type and film of every outlined region that is a visible truth."""
    rows, terms, films = [], [], []
    for number, t in enumerate(tables):
        for features, truth in t.regions:
            if t.truths[truth]["detectability"] >= LEAST_NAMED and t.truths[truth]["iso6520"] in TERMS:
                rows.append(features)
                terms.append(TERMS[t.truths[truth]["iso6520"]])
                films.append(number)
    return rows, terms, films


def _types(tables: list[Any], even: list[Any]) -> dict[str, Any]:
    """Weights of the clues for every type, dark and bright apart; the temperature from films left out in turn.

    tables: films as drawn, which say how frequent a type is. even: films on which every kind is frequent, which teach its look.
    """
    result: dict[str, Any] = {}
    rows, terms, films = _found([*tables, *even])
    for tone, is_dark in (("dark", 1.0), ("bright", 0.0)):
        pick = [k for k, r in enumerate(rows) if r["dark"] == is_dark]
        kept = {t for t in terms if sum(terms[k] == t for k in pick) >= LEAST_OF_A_TYPE}
        pick = [k for k in pick if terms[k] in kept]
        x, y, film = np.array([clue_values(rows[k]) for k in pick]), np.array([terms[k] for k in pick]), np.array([films[k] for k in pick])
        weight = _weight(y, film < len(tables))
        fitted = LogisticRegression(C=0.15, max_iter=3000).fit(x, y, sample_weight=weight)
        temperature = _temperature(_left_out_scores(x, y, weight, film, fitted.classes_), fitted.classes_, list(y), weight)
        print(f"{tone}: {len(y)} finds of {len(kept)} types; temperature {temperature:.2f}")
        two = len(fitted.classes_) == 2  # one row stands for both then
        weights, offsets = ((np.stack([-v[0], v[0]]) / 2 if two else v) for v in (fitted.coef_, fitted.intercept_))
        result[tone] = {
            "types": [str(c) for c in fitted.classes_],
            "weights": np.round(weights, 4).tolist(),
            "offsets": np.round(offsets, 4).tolist(),
            "temperature": temperature,
        }
    result["clues"] = [c.feature for c in CLUES]
    return result


def _weight(y: np.ndarray, drawn: np.ndarray) -> np.ndarray:
    """What each find counts, 1 on average, so that every type has the share that it has among the finds of films as drawn."""
    return np.asarray(_shares(y, drawn) / _shares(y, np.ones(len(y), dtype=bool)))


def _shares(y: np.ndarray, among: np.ndarray) -> np.ndarray:
    """For each find the share of its type among some of them, a type never seen there taken for half a find."""
    kinds, place = np.unique(y, return_inverse=True)
    counts = np.maximum([np.sum(y[among] == kind) for kind in kinds], 0.5)
    return np.asarray((counts / counts.sum())[place])


def _left_out_scores(x: np.ndarray, y: np.ndarray, weight: np.ndarray, films: np.ndarray, classes: np.ndarray) -> np.ndarray:
    """Scores of every find by a fit without its fifth of the films; a type that the others lack scores very low."""
    scores = np.full((len(y), len(classes)), UNKNOWN_SCORE)
    for fifth in range(5):
        out = films % 5 == fifth
        if out.any() and len(set(y[~out])) > 1:
            fitted = LogisticRegression(C=0.15, max_iter=3000).fit(x[~out], y[~out], sample_weight=weight[~out])
            told = fitted.decision_function(x[out])
            told = np.stack([-told, told], axis=1) / 2 if told.ndim == 1 else told
            scores[np.ix_(out, [list(classes).index(c) for c in fitted.classes_])] = told
    return scores


def _temperature(scores: np.ndarray, classes: np.ndarray, terms: list[str], weight: np.ndarray) -> float:
    """The divisor of the scores that makes the films left out most probable (C. Guo et al., ICML 2017)."""
    at = np.array([list(classes).index(t) for t in terms])

    def cost(t: float) -> float:
        z = scores / t
        return float(np.average(np.logaddexp.reduce(z, axis=1) - z[np.arange(len(at)), at], weights=weight))

    return float(min(np.geomspace(0.5, 3.0, 40), key=cost))
