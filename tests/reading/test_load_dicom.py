"""DICONDE and DICOM films, written with pydicom: photometric interpretation, rescale, signed data, spacing tags, component tags."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pydicom.datadict import keyword_for_tag, tag_for_keyword
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, SecondaryCaptureImageStorage, generate_uid

from rtscan.errors import FilmError
from rtscan.film import Film
from rtscan.job import load_job
from rtscan.reading.load import FULL_SCALE, load_films


def weld_picture() -> NDArray[np.uint16]:
    """Bright weld on darker plate, 12 bits, 120 rows of 300."""
    y = np.arange(120)[:, None]
    weld = 1500 * np.exp(-(((y - 60) / 12.0) ** 4)) + 900
    return (weld + np.random.default_rng(3).normal(0, 20, (120, 300))).astype(np.uint16)


def write(path: Path, pixels: NDArray[Any], **tags: Any) -> Path:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = SecondaryCaptureImageStorage, generate_uid()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
    frames = pixels.shape[0] if pixels.ndim == 3 else None
    dataset.Rows, dataset.Columns = pixels.shape[-2:]
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 16, 12, 11
    dataset.PixelRepresentation = int(pixels.dtype.kind == "i")
    if frames:
        dataset.NumberOfFrames = frames
    dataset.PixelData = pixels.tobytes()
    for name, value in tags.items():
        setattr(dataset, name, value)
    dataset.save_as(path, enforce_file_format=True)
    return path


def load(path: Path, **overrides: object) -> Film:
    (film,) = load_films(path, load_job(None, {k.replace("__", "."): v for k, v in overrides.items()}))
    return film


def test_monochrome_2_and_1_are_the_same_film(tmp_path: Path) -> None:
    grey = weld_picture()
    two = load(write(tmp_path / "two.dcm", grey))
    one = load(write(tmp_path / "one.dcm", 4095 - grey, PhotometricInterpretation="MONOCHROME1"))
    assert two.facts.look == one.facts.look == "dense-bright"
    np.testing.assert_allclose(two.density, FULL_SCALE * (1 - grey / 4095.0), atol=1e-5)
    np.testing.assert_allclose(one.density, two.density, atol=1e-5)


def test_signed_values(tmp_path: Path) -> None:
    grey = weld_picture()
    signed = load(write(tmp_path / "a.dcm", (grey.astype(np.int16) - 2048)))
    np.testing.assert_allclose(signed.density, FULL_SCALE * (1 - grey / 4095.0), atol=1e-5)


def test_rescale_type_od_is_absolute_density_times_a_thousand(tmp_path: Path) -> None:
    """DICOM PS3.3: Rescale Type OD is optical density x 1000. Stored falls with metal, shown as film: MONOCHROME1."""
    density_per_mille = 4095 - weld_picture()
    film = load(write(tmp_path / "a.dcm", density_per_mille, RescaleSlope=1, RescaleIntercept=200, RescaleType="OD",
                      PhotometricInterpretation="MONOCHROME1"))
    assert film.facts.density_calibrated
    assert film.facts.look == "dense-bright"
    np.testing.assert_allclose(film.density, (density_per_mille + 200) / 1000.0, atol=1e-4)


def test_rescaled_greys_are_what_the_calibration_speaks_of(tmp_path: Path) -> None:
    grey = weld_picture()
    film = load(write(tmp_path / "a.dcm", grey, RescaleSlope=2, RescaleIntercept=100), film__grey_to_density=[[0, 4.0], [8000, 1.0]])
    np.testing.assert_allclose(film.density, 4 - (2.0 * grey + 100) * 3 / 8000, atol=1e-4)


@pytest.mark.parametrize(("sign", "look"), [(1, "dense-dark"), (-1, "dense-bright")])
def test_pixel_intensity_relationship_sign_settles_the_look(tmp_path: Path, sign: int, look: str) -> None:
    """PS3.3 (0028,1041): 1 when higher values mean more x-ray intensity, which is less metal."""
    film = load(write(tmp_path / "a.dcm", weld_picture(), PixelIntensityRelationshipSign=sign))
    assert film.facts.look == look


def test_spacing_in_the_order_of_the_contract(tmp_path: Path) -> None:
    grey = weld_picture()
    scanned = load(write(tmp_path / "a.dcm", grey, NominalScannedPixelSpacing=[0.05, 0.05], PixelSpacing=[0.1, 0.1]), film__scale="file")
    assert scanned.facts.pixels_per_mm == pytest.approx(20)
    assert "0018,2010" in (scanned.facts.scale_from or "")
    calibrated = load(write(tmp_path / "b.dcm", grey, PixelSpacing=[0.1, 0.1], PixelSpacingCalibrationType="GEOMETRY"), film__scale="file")
    assert (calibrated.facts.pixels_per_mm, calibrated.facts.scale_uncertainty) == (pytest.approx(10), 0.01)
    plain = load(write(tmp_path / "c.dcm", grey, PixelSpacing=[0.1, 0.1]), film__scale="file")
    assert plain.facts.scale_uncertainty == 0.05
    assert "not marked as calibrated" in plain.facts.warnings[0]
    assert load(write(tmp_path / "d.dcm", grey, ImagerPixelSpacing=[0.1, 0.1]), film__scale="file").facts.pixels_per_mm is None
    with pytest.raises(FilmError, match="unequal pixel pitch"):
        load(write(tmp_path / "e.dcm", grey, NominalScannedPixelSpacing=[0.05, 0.06]), film__scale="file")


def test_component_tags_are_reported(tmp_path: Path) -> None:
    film = load(write(tmp_path / "a.dcm", weld_picture(), MaterialThickness="7.11", PatientName="Spool 12", KVP="180", RepairID="R1"))
    assert film.tags["material thickness mm"] == "7.11"
    assert film.tags["component name"] == "Spool 12"
    assert film.tags["repair id"] == "R1"


def test_tag_numbers_after_the_pydicom_dictionary() -> None:
    """Reference check values 76 and 77."""
    assert tag_for_keyword("PixelSpacing") == 0x00280030
    assert tag_for_keyword("PhotometricInterpretation") == 0x00280004
    assert keyword_for_tag(0x00140030) == "MaterialThickness"
    assert keyword_for_tag(0x00140105) == "RepairID"


def test_frames_are_pages(tmp_path: Path) -> None:
    path = write(tmp_path / "a.dcm", np.stack([weld_picture(), weld_picture()[::-1]]))
    assert [film.facts.page for film in load_films(path, load_job(None))] == [1, 2]


def test_broken_dicom_is_one_line(tmp_path: Path) -> None:
    path = write(tmp_path / "a.dcm", weld_picture())
    data = path.read_bytes()
    for cut in (140, 400, 5000, len(data) - 100):
        (tmp_path / "cut.dcm").write_bytes(data[:cut])
        with pytest.raises(FilmError, match=r"cut\.dcm: .*; ") as caught:
            load(tmp_path / "cut.dcm")
        assert len(caught.value.problems) == 1
    write(tmp_path / "rgb.dcm", weld_picture(), PhotometricInterpretation="RGB")
    with pytest.raises(FilmError, match="MONOCHROME"):
        load(tmp_path / "rgb.dcm")


def test_huge_dicom_is_refused_before_unpacking(tmp_path: Path) -> None:
    write(tmp_path / "a.dcm", weld_picture(), Rows=60000, Columns=60000)
    with pytest.raises(FilmError, match="megapixels"):
        load(tmp_path / "a.dcm")
