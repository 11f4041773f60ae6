"""Film law, grain and unsharpness against closed forms. Numbers in brackets: rows of the reference's check values."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import uniform_filter
from scipy.optimize import brentq
from scipy.special import j1

from rtscan.simulate.beam import Beam, geometric_unsharpness_mm, inherent_unsharpness_mm, scatter_ratio
from rtscan.simulate.emulsion import CLASSES, FilmLaw, GrainShape, film_law, unit_grain
from rtscan.simulate.geometry import trace
from rtscan.simulate.images import add_patch, disc, gaussian
from rtscan.simulate.imaging import Raster, render_body
from rtscan.simulate.marks import wire_patches
from rtscan.simulate.recipe import ExposurePart, IqiPart, Recipe, ScanPart
from rtscan.simulate.render import SLIT_SIGMA
from rtscan.simulate.scanner import grey_to_density, to_grey
from rtscan.simulate.shapes import Body, ellipsoid

LINEAR = FilmLaw(saturation=1e7, power=1.0, granularity=0.028)


@pytest.mark.parametrize("name", list(CLASSES))
def test_gradients_of_the_classes(name: str) -> None:
    """ISO 11699-1 least gradients at D 2 and 4 above fog, as remembered (C1, C4, C5, C6 also ASTM E1815)."""
    law = film_law(name)
    assert float(law.gradient(2.0)) == pytest.approx(CLASSES[name][0], rel=1e-3)
    assert float(law.gradient(4.0)) == pytest.approx(CLASSES[name][1], rel=1e-3)


@pytest.mark.parametrize("name", list(CLASSES))
def test_law_and_inverse(name: str) -> None:
    law, net = film_law(name), np.linspace(0.1, 5.0, 40)
    assert law.net_density(law.dose(net)) == pytest.approx(net, rel=1e-9)
    step = 1e-5
    slope = (law.net_density(law.dose(net) * (1 + step)) - law.net_density(law.dose(net) * (1 - step))) / (2 * step) * np.log(10)
    assert law.gradient(net) == pytest.approx(slope, rel=1e-5)


def test_linear_film() -> None:  # [24, 26]; dD/dlogE = ln 10 D; average gradients over 0.5-2.5 and 2.0-4.0
    assert float(LINEAR.gradient(2.0)) == pytest.approx(4.605, rel=1e-3)
    for low, high, expected in ((0.5, 2.5, 2.861), (2.0, 4.0, 6.644)):
        rise = np.log10(float(LINEAR.dose(high)) / float(LINEAR.dose(low)))
        assert (high - low) / rise == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("density", "published"), [(1.8, 4.300), (2.0, 4.693)])
def test_published_gradient_law(density: float, published: float) -> None:  # [25]; G = 2.64 D^0.83, a training problem
    assert published == pytest.approx(2.64 * density**0.83, rel=1e-3)
    gradients = [float(film_law(name).gradient(density)) for name in CLASSES]
    assert min(gradients) > 0.72 * published  # the classes give the least gradient allowed: 0.75 to 0.96 of the published mean
    assert max(gradients) < published


def test_light_scale() -> None:  # [23]; D 2, 3, 1.8 pass 1, 0.1, 1.585 % of the light; exact but for rounding to 16 bits
    grey = to_grey(np.asarray([[2.0, 3.0, 1.8]], dtype=np.float32), ScanPart(grey_is="light"))
    assert grey[0] / 65535 * 100 == pytest.approx([1.0, 0.1, 1.585], abs=0.001)


def test_signal_to_noise_classes() -> None:  # [28]; G/sigma 300, 150, 100 -> 130.3, 65.1, 43.4
    for ratio, expected in ((300, 130.3), (150, 65.1), (100, 43.4)):
        law = FilmLaw(1e7, 1.0, float(LINEAR.gradient(2.0)) / ratio)
        dose = float(law.dose(2.0))
        relative = float(law.grain(np.asarray(2.0))) / float((law.net_density(np.asarray(dose * 1.001)) - 2.0) / 0.001)
        assert 1 / relative == pytest.approx(expected, rel=0.005)


def test_equal_area_square() -> None:  # [30, 31]; white grain seen by 50 um pixels: sigma 0.028 * 88.62 / 50
    assert np.sqrt(np.pi * 0.25) * 100 == pytest.approx(88.62, rel=5e-4)
    field = 0.028 * unit_grain((700, 900), 0.05, np.random.default_rng(3), GrainShape(1e-6, 1e-6, 0.0))
    assert float(field.std()) == pytest.approx(0.0496, rel=0.005)  # 630 000 samples: standard error 0.1 %


def _aperture(width_mm: float) -> float:
    """Spread of unit grain through a square aperture over that through the 100 um circle, both as integrals over its spectrum."""
    f = (np.arange(-700, 700) + 0.5) * 0.25
    fx, fy = np.meshgrid(f, f)
    power = 0.5 * np.exp(-((2 * np.pi * 0.010) ** 2) * (fx**2 + fy**2)) + 0.5 * np.exp(-((2 * np.pi * 0.048) ** 2) * (fx**2 + fy**2))
    r = np.pi * 0.1 * np.hypot(fx, fy)
    return float(np.sqrt(np.sum((np.sinc(width_mm * fx) * np.sinc(width_mm * fy)) ** 2 * power) / np.sum((2 * j1(r) / r) ** 2 * power)))


@pytest.mark.parametrize("pixels", [2, 4, 8, 16])
def test_noise_against_aperture(pixels: int) -> None:
    """Spread of means over squares of 0.1 to 0.8 mm follows the integral of the spectrum; 3 %: sampling of the means."""
    pitch = 0.05
    field = unit_grain((1500, 2100), pitch, np.random.default_rng(5)).astype(np.float64)
    means = uniform_filter(field, pixels)[pixels:-pixels:pixels, pixels:-pixels:pixels]
    assert float(means.std()) == pytest.approx(_aperture(pixels * pitch), rel=0.03)


def test_grain_does_not_depend_on_pixel_size() -> None:
    """Means over 0.2 mm squares have the same spread at 25, 50 and 100 um; 3 % for sampling."""
    spreads = []
    for pitch in (0.025, 0.05, 0.1):
        n = round(0.2 / pitch)
        field = unit_grain((n * 130, n * 170), pitch, np.random.default_rng(1)).astype(np.float64)
        spreads.append(field.reshape(130, n, 170, n).mean(axis=(1, 3)).std())
    assert spreads == pytest.approx([spreads[1]] * 3, rel=0.03)


def test_grain_grows_with_the_root_of_density() -> None:
    assert LINEAR.grain(np.asarray([1.0, 4.0])) == pytest.approx([0.028 / np.sqrt(2), 0.028 * np.sqrt(2)])


def test_unsharpness() -> None:  # [47, 50, 51]
    assert geometric_unsharpness_mm(3, 12, 612) == pytest.approx(0.060, rel=0.01)
    assert inherent_unsharpness_mm(ExposurePart(kv=180)) == pytest.approx(0.0828, rel=0.01)


def test_unsharpness_adds_in_quadrature() -> None:  # [51]; Ug 0.263, Ui 0.157 -> 0.306
    """A line of metal through the simulator's blurs. A disc of width U has variance U^2 / 16, the slit that stands for Ui U^2 / 12."""
    ppm = 200.0
    line = np.zeros((301, 401), dtype=np.float32)
    line[:, 200] = 1.0

    def variance(image: np.ndarray) -> float:
        row = image[150].astype(np.float64)
        x = (np.arange(row.size) - 200) / ppm
        return float(np.sum(row * x * x) / np.sum(row))

    spot, inherent = disc(line, 0.263 * ppm), gaussian(line, SLIT_SIGMA * 0.157 * ppm)
    assert np.sqrt(16 * variance(spot) + 12 * variance(inherent)) == pytest.approx(0.306, rel=0.005)
    assert variance(gaussian(spot, SLIT_SIGMA * 0.157 * ppm)) == pytest.approx(variance(spot) + variance(inherent), rel=0.005)


@pytest.mark.parametrize(("ratio", "expected"), [(0.5, 0.935), (1.0, 0.667), (2.0, 0.1667), (3.0, 0.074)])
def test_sphere_under_disc_blur(ratio: float, expected: float) -> None:  # [52]; (2/3)/q^2 and its form below 1
    d = 60.0
    y, x = np.mgrid[-110:111, -120:121]
    sphere = 2 * np.sqrt(np.maximum((d / 2) ** 2 - x**2 - y**2, 0)).astype(np.float32)
    blurred = np.fft.irfft2(np.fft.rfft2(sphere, (512, 512)) * np.fft.rfft2(_disc_kernel(ratio * d), (512, 512)))
    assert float(blurred.max()) / d == pytest.approx(expected, rel=0.01)
    if ratio == 1.0:  # the room's own disc, same size
        assert float(disc(sphere, ratio * d).max()) / d == pytest.approx(expected, rel=0.01)


def _disc_kernel(diameter: float) -> np.ndarray:
    y, x = np.mgrid[-128:129, -128:129]
    kernel = (np.hypot(x, y) <= diameter / 2).astype(np.float64)
    return kernel / kernel.sum()


@pytest.mark.parametrize(("ratio", "expected"), [(0.5, 0.957), (1.0, 0.785), (2.0, 0.393), (3.0, 0.262)])
def test_wire_under_strip_blur(ratio: float, expected: float) -> None:  # [52]
    d, width = 200, int(200 * ratio)
    x = np.arange(-700, 701)
    chord = 2 * np.sqrt(np.maximum((d / 2) ** 2 - x**2, 0))
    assert np.convolve(chord, np.ones(width) / width).max() / d == pytest.approx(expected, rel=0.005)


def test_wire_of_an_indicator_under_blur() -> None:  # [52]; a wire half as wide as the blur
    """The simulator's own wire: under a strip 0.393 of its diameter; under the round focal spot, whose width across weighs as a
    semicircle, the integral of chord times weight. 1 %: pixels of a fiftieth of the wire."""
    d, ppm = 0.4, 125.0  # W10
    raster = Raster(width=int(6 * ppm), height=int(2 * ppm), pixels_per_mm=ppm, turn_deg=0.0, c0=0.0, z0=0.0)
    iqi = IqiPart(set="W10", along_mm=15.0, across_mm=0.0, wire_length_mm=25)  # its first wire lies in the middle of the film
    wires, _ = wire_patches(iqi, raster, 0.0, 1.0, np.random.default_rng(1))
    image = np.zeros(raster.shape, dtype=np.float32)
    add_patch(image, wires[0].thickness, wires[0].x0, wires[0].y0)
    assert float(image.max()) == pytest.approx(d, rel=0.002)
    strip = np.ones(int(2 * d * ppm)) / int(2 * d * ppm)
    assert np.convolve(image[int(ppm)], strip, "same").max() / d == pytest.approx(0.393, rel=0.01)
    x = np.linspace(-0.5 * d, 0.5 * d, 20001)
    weight = 2 * np.sqrt(d**2 - x**2) / (np.pi * d**2)
    round_spot = np.sum(2 * np.sqrt((0.5 * d) ** 2 - x**2) * weight) * (x[1] - x[0]) / d
    assert float(broad_disc(image, 2 * d * ppm)[int(ppm)].max()) / d == pytest.approx(round_spot, rel=0.01)


def broad_disc(image: np.ndarray, diameter_px: float) -> np.ndarray:
    """The room's disc blur in two halves of the scale, for it turns Gaussian above 61 pixels."""
    small = cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return cv2.resize(disc(small, 0.5 * diameter_px), (image.shape[1], image.shape[0]), interpolation=cv2.INTER_LINEAR)


def test_pore_under_the_focal_spot() -> None:  # [52]; a sphere half as wide as the geometric unsharpness: 0.1667 of its diameter
    """The whole way: recipe, projection, focal blur of the pore's own height. 2 %: samples of a ninetieth of a millimetre."""
    film_mm, source = 110.0, 700.0
    focal = 0.5 * (source - film_mm) / film_mm  # Ug = 0.5 mm
    pore = 0.25 * (source - film_mm) / source  # 0.25 mm on the film
    recipe = Recipe.model_validate(
        {
            "film": {"width_mm": 20.0, "height_mm": 16.0},
            "weld": {"wall_mm": 20.0},
            "exposure": {"focal_mm": focal, "source_to_film_mm": source, "object_to_film_mm": 100.0},
            "place": {"station_at_middle_mm": 120.0},
        }
    )
    geometry = trace(recipe)
    body = Body(ellipsoid(pore / 2, pore / 2, pore / 2), 120.0, 0.0, 10.0, "source", pore / 2, pore / 2, pore / 2)
    patch = render_body(body, geometry, Raster(400, 320, 20.0, 0.0, 0.0, 0.0))
    assert patch is not None
    assert patch.unsharpness_mm == pytest.approx(0.5, rel=1e-6)
    blurred = disc(patch.fine, patch.unsharpness_mm * 20.0 * patch.over)
    assert float(blurred.max()) / pore == pytest.approx(0.1667, rel=0.02)
    volume = float(patch.on_film(20.0).sum()) / 20.0**2  # area of the shadow is magnified twice
    assert volume == pytest.approx(np.pi * pore**3 / 6 * (source / (source - film_mm)) ** 2, rel=0.02)


def test_less_scatter_shows_a_thinner_wire() -> None:  # [54]; n 1.4 -> 0.5, wire 0.25 mm -> 0.189 mm, 3 %
    """A wire is just visible at a contrast in proportion to d^(-2/3) (the published problem); contrast from beam and film law."""
    beam = _single_energy(0.2)

    def contrast(d: float, scatter: float) -> float:
        ratio = float(scatter_ratio(ExposurePart(scatter=scatter), 20.0))
        sound, wire = (float(beam.dose(np.asarray(t))) for t in (20.0, 20.0 + d))
        k = float(LINEAR.dose(2.0)) / (sound * (1 + ratio))
        return 2.0 - float(LINEAR.net_density(np.asarray(k * (wire + ratio * sound))))

    constant = contrast(0.25, 1.4) * 0.25 ** (2 / 3)
    seen = brentq(lambda d: contrast(d, 0.5) - constant * d ** (-2 / 3), 0.02, 1.0)
    assert seen == pytest.approx(0.189, rel=0.03)


def _single_energy(mu_per_mm: float) -> Beam:
    steps = np.arange(0, 400.05, 0.05)
    return Beam(np.asarray([200.0]), np.asarray([1.0]), np.asarray([mu_per_mm]), -mu_per_mm * steps)


def test_pore_contrast_of_the_reference() -> None:  # [57]; 1 mm air, mu 0.1148/mm, n 1, D 2, linear film: exact 0.1216
    beam = _single_energy(0.1148)
    sound, void = (float(beam.dose(np.asarray(t))) for t in (20.0, 19.0))
    scatter = sound  # n = 1
    k = float(LINEAR.dose(2.0)) / (sound + scatter)
    rise = float(LINEAR.net_density(np.asarray(k * (void + scatter)))) - 2.0
    assert rise == pytest.approx(0.1216, rel=0.01)


def test_contrast_problem() -> None:  # [53]; dD 0.4 with n 1, mu 2/cm, G 3 -> 3.07 mm by the differential formula; 3 %
    beam = _single_energy(0.2)
    gradient = 3.0
    rise_per_mm = np.log10(float(beam.dose(np.asarray(19.995)) / beam.dose(np.asarray(20.005)))) / 0.01 * gradient / 2
    assert 0.4 / rise_per_mm == pytest.approx(3.07, rel=0.03)


def test_other_metals_as_steel() -> None:
    """One energy: tungsten counts as mu_W / mu_Fe times its thickness of steel, whatever lies behind."""
    from rtscan.knowledge.attenuation import linear_attenuation

    mu = linear_attenuation("carbon steel", np.asarray([316.0]))
    beam = Beam(np.asarray([316.0]), np.asarray([1.0]), mu, -mu[0] * np.arange(0, 400.05, 0.05))
    expected = float(linear_attenuation("tungsten", 316) / mu[0])
    assert beam.equivalent_steel("tungsten", np.asarray([0.0, 1.0, 2.5]), 12.0) == pytest.approx([0, expected, 2.5 * expected], rel=1e-3)


@pytest.mark.parametrize("look", ["dense-bright", "dense-dark"])
@pytest.mark.parametrize(("glare", "bits"), [(0.0, 16), (1e-4, 16), (6e-4, 12)])
def test_stray_light_flattens_what_is_dense_and_the_table_says_so(glare: float, bits: int, look: str) -> None:
    """Grey back to density by the job sheet's own table. Tolerance: half a grey step where stray light has flattened the scale, and the
    straight lines between the table's rows."""
    part = ScanPart.model_validate({"glare": glare, "bits": bits, "look": look, "density_max": 4.6})
    density = np.linspace(0.2, 4.2, 81, dtype=np.float32)[None, :]
    grey = to_grey(density, part)[0].astype(np.float64)
    table = np.asarray(grey_to_density(part))
    back = np.interp(grey, table[:, 0], table[:, 1])
    light = 10.0 ** -density[0].astype(np.float64)
    step = 4.6 / 2**bits * (light + glare) / light
    assert np.all(np.abs(back - density[0]) < 0.5 * step + 0.003)
    if glare:
        top = 2**bits - 1
        read = 4.6 * (1 - grey / top if look == "dense-bright" else grey / top)
        assert read == pytest.approx(-np.log10(light + glare), abs=4.6 / top)


def test_waviness_of_the_amplifier_changes_noise_not_density() -> None:
    """Gain between 1 - w and 1 + w, once over every 0.6 of density; the density read is off by at most w 0.6 / 2 pi."""
    part = ScanPart(log_ripple=0.1, bits=16)
    density = np.linspace(1.0, 3.0, 4001, dtype=np.float32)[None, :]
    read = part.density_max * (1 - to_grey(density, part)[0] / 65535.0)
    assert np.abs(read - density[0]).max() == pytest.approx(0.1 * 0.6 / (2 * np.pi), rel=0.02)
    gain = np.diff(read[::40]) / np.diff(density[0][::40])
    assert gain.max() == pytest.approx(1.1, abs=0.01)
    assert gain.min() == pytest.approx(0.9, abs=0.01)


def test_grain_levels_out_at_high_density() -> None:
    """Gradient over the root of dose: on a film whose gradient stops growing, noise stops growing too. Closed form from the law."""
    law = film_law("C4")
    for net in (1.0, 3.0, 4.0):
        expected = float(law.gradient(net) / law.gradient(2.0)) * np.sqrt(float(law.dose(2.0)) / float(law.dose(net)))
        assert float(law.grain(np.asarray(net))) == pytest.approx(0.028 * expected, rel=1e-9)
    assert float(law.grain(np.asarray(4.0))) < 1.15 * float(law.grain(np.asarray(2.0)))


def test_lean_of_the_grain_is_in_the_silver_not_in_the_mottle() -> None:
    """Skewness of the density: -6 times the share of the lean for silver alone, none for quantum mottle. 2 million pixels."""
    for share, expected in ((0.0, -0.12), (1.0, 0.0)):
        field = unit_grain((1200, 1700), 0.05, np.random.default_rng(8), GrainShape(1e-6, 1e-6, share, 0.02))
        assert float(np.mean((field / field.std()) ** 3)) == pytest.approx(expected, abs=0.01)
