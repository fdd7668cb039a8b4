"""Saved models: bit-exact round trips, nothing of the rows in the file, every damage and trick refused."""

from __future__ import annotations

import io
import json
import math
import pickle
import struct
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_models import N_DISTINCT, fitted_model, known_clinic, made_model

import retreat
from retreat import coding
from retreat.definitions import read_definition, shipped
from retreat.errors import ModelFileError
from retreat.model import Model, archive, load
from retreat.model.kernel import Parameters

ARRAYS = ("coefficients", "session_effects", "operator_effect", "patient_loading")
SAVED = Path(__file__).parent.parent / "saved"


@pytest.fixture(scope="module")
def payload(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Bytes of a small saved model."""
    return made_model(draws=3).save(tmp_path_factory.mktemp("saved") / "model.retreat").read_bytes()


@pytest.fixture
def file(tmp_path: Path, payload: bytes) -> Path:
    path = tmp_path / "model.retreat"
    path.write_bytes(payload)
    return path


def members_of(payload: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(payload)) as read:
        return {name: read.read(name) for name in read.namelist()}


def written(path: Path, members: dict[str, bytes], compression: int = zipfile.ZIP_STORED) -> Path:
    with zipfile.ZipFile(path, "w", compression) as out:
        for name, data in members.items():
            out.writestr(name, data)
    return path


def signed(header: dict[str, Any], members: dict[str, bytes]) -> dict[str, bytes]:
    """The members with a header whose checksum is right, as a forger would make it."""
    names = (*ARRAYS, "never")
    arrays = {name: members[f"{name}.npy"] for name in names if f"{name}.npy" in members}
    header = header | {"checksum": archive._checksum(header["model"], arrays)}
    return members | {"model.json": json.dumps(header).encode()}


def refusal(path: Path) -> str:
    with pytest.raises(ModelFileError) as caught:
        load(path)
    (fault,) = caught.value.faults
    assert fault.where == str(path)
    return str(fault)


def npy(array: np.ndarray, *, allow_pickle: bool = False) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, array, allow_pickle=allow_pickle)
    return buffer.getvalue()


# --- round trips


def assert_same(first: Model, second: Model) -> None:
    for name in ARRAYS:
        one, other = getattr(first.parameters, name), getattr(second.parameters, name)
        assert one.shape == other.shape
        assert one.tobytes() == other.tobytes()
    assert first.coding == second.coding
    assert (first.strata, first.stratum_feature, first.link) == (
        second.strata,
        second.stratum_feature,
        second.link,
    )
    assert (first.card, first.case_mix, first.support) == (second.card, second.case_mix, second.support)
    assert first.model_id == second.model_id


def test_a_fitted_model_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    model = fitted_model()
    again = load(model.save(tmp_path / "clinic.retreat"))
    assert_same(model, again)
    cases = known_clinic().head(20).assign(sessions=np.arange(20) % 4, ending="ongoing")
    cases.loc[3, "opacity"] = cases.loc[5, "cornea"] = "unknown"
    before, after = model.forecast(cases), again.forecast(cases)
    assert before.pmf.tobytes() == after.pmf.tobytes()
    assert (before.cases, before.notes, before.cautions) == (after.cases, after.notes, after.cautions)
    assert model.expected(cases).tobytes() == again.expected(cases).tobytes()
    assert model.support_of(cases) == again.support_of(cases)
    assert max(support.n_like for support in again.support_of(cases)) > 11


def test_two_saves_give_the_same_bytes(tmp_path: Path) -> None:
    first = made_model().save(tmp_path / "first.retreat").read_bytes()
    again = load(tmp_path / "first.retreat").save(tmp_path / "second.retreat").read_bytes()
    assert first == again


def test_two_fits_with_one_seed_give_the_same_model(tmp_path: Path) -> None:
    again = retreat.fit(known_clinic(), "core", draws=200, seed=2)
    assert again.model_id == fitted_model().model_id
    other = retreat.fit(known_clinic(), "core", draws=200, seed=3)
    assert other.model_id != fitted_model().model_id


def test_any_change_of_the_model_changes_its_id() -> None:
    model = made_model()
    moved = model.parameters.coefficients.copy()
    moved[0, 0, 0] = np.nextafter(moved[0, 0, 0], 9.0)
    changed = [
        replace(model, parameters=replace(model.parameters, coefficients=moved)),
        replace(model, card=replace(model.card, seed=4)),
        replace(model, link="cloglog"),
        replace(model, case_mix=replace(model.case_mix, levels={})),
        replace(model, support=replace(model.support, cells={})),
    ]
    assert len({m.model_id for m in (model, *changed)}) == 6


def test_a_term_written_in_whole_numbers_keeps_the_model_id(tmp_path: Path) -> None:
    terms = (coding.Term(("age",), "linear", centre=60, scale=10),)
    model = made_model()
    model = replace(
        model,
        coding=coding.learn(terms, {}),
        parameters=replace(model.parameters, coefficients=model.parameters.coefficients[:, :, :1]),
    )
    assert load(model.save(tmp_path / "m.retreat")).model_id == model.model_id


def test_a_model_whose_diagnostics_failed_can_be_saved(tmp_path: Path) -> None:
    model = made_model(failures=("R-hat could not be told",), diagnostics={"r_hat": math.nan})
    again = load(model.save(tmp_path / "m.retreat"))
    assert math.isnan(again.card.diagnostics["r_hat"])
    assert again.model_id == model.model_id
    assert not again.card.for_counselling


def test_sessions_at_which_an_end_cannot_happen_survive(tmp_path: Path) -> None:
    model = made_model(draws=2)
    effects = model.parameters.session_effects.copy()
    effects[:, :, 1, 0] = -np.inf
    model = replace(model, parameters=replace(model.parameters, session_effects=effects))
    assert_same(model, load(model.save(tmp_path / "m.retreat")))


def test_arrays_in_any_memory_order_are_saved_alike(tmp_path: Path) -> None:
    model = made_model()
    turned = Parameters(*(np.asfortranarray(getattr(model.parameters, name)) for name in ARRAYS))
    assert replace(model, parameters=turned).model_id == model.model_id
    assert_same(model, load(replace(model, parameters=turned).save(tmp_path / "m.retreat")))


# --- what the file holds


@pytest.mark.parametrize(
    "name",
    [name for name in shipped() if not (read_definition(name).studies or read_definition(name).history)],
)
def test_no_array_and_no_list_of_a_saved_fit_has_the_length_of_the_fitted_cases(
    name: str, tmp_path: Path
) -> None:
    model = retreat.fit(known_clinic(), name, draws=150, seed=1)
    assert model.card.n_cases == N_DISTINCT
    path = model.save(tmp_path / "m.retreat")

    def lengths(node: Any) -> set[int]:
        if isinstance(node, dict):
            return {len(node)}.union(*(lengths(v) for v in node.values()))
        if isinstance(node, list):
            return {len(node)}.union(*(lengths(v) for v in node))
        return set()

    for member, data in members_of(path.read_bytes()).items():
        if member.endswith(".npy"):
            array = np.load(io.BytesIO(data))
            assert N_DISTINCT not in array.shape
            assert not array.size or array.size % N_DISTINCT
        else:
            # nothing longer than the draws or the quantiles either
            assert max(lengths(json.loads(data))) < 100


def test_no_key_of_a_case_patient_or_operator_is_in_the_file(tmp_path: Path) -> None:
    clinic = known_clinic()
    text = fitted_model().save(tmp_path / "m.retreat").read_bytes()
    for column in ("case", "patient", "operator", "site"):
        for key in set(clinic[column]):
            assert str(key).encode() not in text


def test_a_saved_model_of_version_0_1_0_still_predicts_the_same() -> None:
    # built from invented data; the committed numbers were written with it and change only if a forecast does
    model = load(SAVED / "core-0.1.0.retreat")
    expected = json.loads((SAVED / "core-0.1.0.json").read_text(encoding="utf-8"))
    assert model.card.retreat_version == "0.1.0"
    assert model.card.invented
    assert model.model_id == expected["model_id"]
    forecast = model.forecast(expected["cases"], horizon=6)
    assert forecast.mean() == pytest.approx(np.array(expected["mean"]), abs=1e-12)
    quantiles = forecast.quantiles((0.05, 0.95))
    assert quantiles == pytest.approx(np.array(expected["quantiles"]), abs=1e-12)
    assert [list(notes) for notes in forecast.notes] == expected["notes"]
    assert [s.n_like for s in model.support_of(expected["cases"])] == expected["n_like"]


# --- damage


@pytest.mark.parametrize("share", [0.0, 0.001, 0.1, 0.5, 0.9, 0.999])
def test_a_truncated_file_is_refused(tmp_path: Path, payload: bytes, share: float) -> None:
    path = tmp_path / "short.retreat"
    path.write_bytes(payload[: int(len(payload) * share)])
    assert "not a readable model file" in refusal(path)


@given(data=st.data())
@settings(max_examples=150, deadline=None, derandomize=True)
def test_a_flipped_byte_is_refused_or_changes_nothing(
    data: st.DataObject, payload: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    # headers of the zip are few among the bytes and have most to break: half of the flips go there
    edges = [i for i in range(len(payload)) if payload[i : i + 2] == b"PK"]
    near = st.sampled_from(edges).flatmap(lambda e: st.integers(e, min(e + 60, len(payload) - 1)))
    place = data.draw(st.one_of(st.integers(0, len(payload) - 1), near))
    changed = bytearray(payload)
    changed[place] ^= data.draw(st.integers(1, 255))
    path = tmp_path_factory.getbasetemp() / "flipped.retreat"
    path.write_bytes(changed)
    try:
        found = load(path)
    except ModelFileError:
        return
    assert_same(found, made_model(draws=3))


def test_every_byte_of_the_zip_directory_may_break(payload: bytes, tmp_path: Path) -> None:
    original = made_model(draws=3).model_id
    path = tmp_path / "broken.retreat"
    start = payload.index(b"PK\x01\x02")
    refused = 0
    for place in range(start, len(payload)):
        changed = bytearray(payload)
        changed[place] ^= 0xFF
        path.write_bytes(changed)
        try:
            assert load(path).model_id == original
        except ModelFileError:
            refused += 1
    assert refused > (len(payload) - start) / 3


@pytest.mark.parametrize(
    "content", [b"", b"hello", b"PK\x03\x04", b"\x80\x04N.", pickle.dumps({"a": 1}), b"\x00" * 4096]
)
def test_a_file_that_is_no_zip_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "foreign.retreat"
    path.write_bytes(content)
    assert "not a readable model file" in refusal(path)


def test_a_missing_file_a_folder_and_a_forbidden_file_are_told_apart(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "no such file; allowed: a saved model; to mend: check the path" in refusal(tmp_path / "none")
    assert "not a readable model file" in refusal(tmp_path)

    def forbidden(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(zipfile, "ZipFile", forbidden)  # root may read anything, so that modes do not serve
    assert "cannot be read (Permission denied)" in refusal(file)


def test_a_device_that_fails_is_told(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> bytes:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(zipfile.ZipFile, "read", fails)
    assert "Input/output error" in refusal(file)


# --- tricks: files with a valid zip around wrong contents


def test_a_wrong_checksum_is_refused(file: Path, payload: bytes) -> None:
    members = members_of(payload)
    header = json.loads(members["model.json"])
    header["model"]["card"]["n_cases"] += 1
    written(file, members | {"model.json": json.dumps(header).encode()})
    assert "the checksum does not agree: the file was changed or damaged" in refusal(file)


@pytest.mark.parametrize("name", ARRAYS)
def test_a_changed_array_is_refused(file: Path, payload: bytes, name: str) -> None:
    members = members_of(payload)
    array = np.load(io.BytesIO(members[f"{name}.npy"])) + 1e-12
    written(file, members | {f"{name}.npy": npy(array)})
    assert "checksum does not agree" in refusal(file)


@pytest.mark.parametrize(
    ("version", "fix"),
    [
        (4, "update the package, then load it again"),
        (99, "update the package"),
        (0, "fit the model again"),
        ("2", "fit the model again"),
        (None, "fit the model again"),
    ],
)
def test_another_schema_version_is_refused_and_a_newer_one_asks_for_an_update(
    file: Path, payload: bytes, version: Any, fix: str
) -> None:
    members = members_of(payload)
    header = json.loads(members["model.json"]) | {"schema_version": version}
    words = refusal(written(file, signed(header, members)))
    assert f"schema version {version!r}; allowed: version 3" in words
    assert fix in words


def test_a_file_of_another_program_is_refused(file: Path, payload: bytes) -> None:
    members = members_of(payload)
    header = json.loads(members["model.json"])
    for other in ({**header, "format": "other"}, {**header, "model": [1]}, [header], 3, None):
        written(file, members | {"model.json": json.dumps(other).encode()})
        assert "not a model of this package" in refusal(file)


@pytest.mark.parametrize("text", [b"", b"{", b"\xff\xfe", b"[" * 100_000, b"1" * 5000])
def test_a_header_that_is_no_json_is_refused(file: Path, payload: bytes, text: bytes) -> None:
    refusal(written(file, members_of(payload) | {"model.json": text}))


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_json_with_numbers_that_are_none_is_refused(file: Path, payload: bytes, number: str) -> None:
    members = members_of(payload)
    text = members["model.json"].decode().replace('"seed": 3', f'"seed": {number}')
    assert number in text
    assert "not a readable model file" in refusal(written(file, members | {"model.json": text.encode()}))


def crafted(payload: bytes, file: Path, change: Callable[[dict[str, Any]], Any]) -> Path:
    """File with a changed description and the right checksum."""
    members = members_of(payload)
    header = json.loads(members["model.json"])
    change(header["model"])
    return written(file, signed(header, members))


@pytest.mark.parametrize(
    "change",
    [
        lambda m: m.pop("card"),
        lambda m: m.update(link="probit"),
        lambda m: m.update(card=[]),
        lambda m: m["card"].update(n_ended=[1]),
        lambda m: m["card"].update(n_cases="x"),
        lambda m: m["card"].update(ends=["relieved"]),
        lambda m: m["card"].update(ends=[]),
        lambda m: m["coding"].update(terms={}),
        lambda m: m["coding"]["terms"][0].update(form="cubic"),
        lambda m: m["coding"]["terms"][0].update(levels=["ring"]),
        lambda m: m["coding"]["terms"][0].update(reference="rings"),
        lambda m: m["coding"]["terms"][1].update(features=["no_such_feature"]),
        lambda m: m["coding"]["terms"][1].update(features=[]),
        lambda m: m["coding"]["terms"][2].update(form="spline", n_knots=4),
        lambda m: m["coding"]["terms"].pop(0),
        lambda m: m["coding"]["knots"].pop(),
        lambda m: m.update(strata=["ring", "cloud"]),
        lambda m: m.update(stratum_feature="no_such_feature"),
        lambda m: m["case_mix"].update(levels=[1]),
        lambda m: m["case_mix"]["quantiles"].update(no_such_feature=[1.0]),
        lambda m: m["support"]["ranges"].update(size_mm=[1.0]),
        lambda m: m["support"]["ranges"].update(no_such_feature=[1.0, 2.0]),
        lambda m: m["support"].update(cells=None),
    ],
)
def test_a_description_that_does_not_fit_together_is_refused(
    file: Path, payload: bytes, change: Callable[[dict[str, Any]], Any]
) -> None:
    assert "not a readable model file" in refusal(crafted(payload, file, change))


def with_array(payload: bytes, file: Path, name: str, data: bytes) -> Path:
    members = members_of(payload) | {f"{name}.npy": data}
    return written(file, signed(json.loads(members["model.json"]), members))


@pytest.mark.parametrize("name", ARRAYS)
@pytest.mark.parametrize(
    "shape", [lambda s: s[::-1], lambda s: (*s, 1), lambda s: s[1:], lambda s: (0, *s[1:]), lambda _: ()]
)
def test_an_array_of_the_wrong_shape_is_refused(
    file: Path, payload: bytes, name: str, shape: Callable[[tuple[int, ...]], tuple[int, ...]]
) -> None:
    right = np.load(io.BytesIO(members_of(payload)[f"{name}.npy"])).shape
    words = refusal(with_array(payload, file, name, npy(np.zeros(shape(right)))))
    assert "not a readable model file" in words


def with_never(model: Model) -> Model:
    share = np.linspace(0.0, 0.2, model.parameters.n_draws)
    return replace(model, parameters=replace(model.parameters, never=share))


def test_a_share_of_never_responders_comes_back(tmp_path: Path) -> None:
    model = with_never(made_model())
    back = load(model.save(tmp_path / "m.retreat"))
    assert back.parameters.never.tolist() == model.parameters.never.tolist()
    assert back.model_id == model.model_id
    assert back.model_id != made_model().model_id


@pytest.mark.parametrize("wrong", [np.full(20, -0.1), np.full(20, 1.1), np.zeros(19), np.zeros((20, 1))])
def test_a_share_outside_its_range_or_shape_is_refused(
    file: Path, tmp_path: Path, wrong: np.ndarray[Any, Any]
) -> None:
    payload = with_never(made_model()).save(tmp_path / "m.retreat").read_bytes()
    assert "not a readable model file" in refusal(with_array(payload, file, "never", npy(wrong)))


def test_knots_that_do_not_fit_their_term_are_refused(file: Path, payload: bytes) -> None:
    # depth as a spline of 3 knots has a column more than the line it was; its record lists 4 knots
    members = members_of(payload)
    header = json.loads(members["model.json"])
    terms = header["model"]["coding"]["terms"]
    terms.pop()  # the interaction
    header["model"]["coding"]["knots"] = [[], [], [0.1, 0.4, 0.6, 0.9], []]
    terms[2].update(form="spline", n_knots=3)
    members["coefficients.npy"] = npy(np.zeros((3, 2, 7)))
    assert "the terms code 8 columns, not 7" in refusal(written(file, signed(header, members)))


def test_a_model_without_a_session_is_refused(file: Path, payload: bytes) -> None:
    assert "3 draws, 2 ends and 0 sessions" in refusal(
        with_array(payload, file, "session_effects", npy(np.zeros((3, 1, 2, 0))))
    )


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("coefficients", math.nan),
        ("coefficients", -math.inf),
        ("operator_effect", math.inf),
        ("patient_loading", math.nan),
        ("session_effects", math.nan),
        ("session_effects", math.inf),
    ],
)
def test_parameters_that_are_no_numbers_are_refused(
    file: Path, payload: bytes, name: str, value: float
) -> None:
    array = np.load(io.BytesIO(members_of(payload)[f"{name}.npy"]))
    array[..., 0] = value
    assert "is not" in refusal(with_array(payload, file, name, npy(array)))


class Trap:
    """Tells when a pickle of it is opened."""

    opened = False

    def __reduce__(self) -> tuple[Any, ...]:
        return (setattr, (Trap, "opened", True))


def header_of(shape: str, descr: str = "'<f8'") -> bytes:
    """A npy header that promises this shape, with eight bytes behind it."""
    words = f"{{'descr': {descr}, 'fortran_order': False, 'shape': {shape}, }}".encode()
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(words)) + words + b"\x00" * 8


@pytest.mark.parametrize(
    "data",
    [
        npy(np.array([[Trap(), None]], dtype=object), allow_pickle=True),
        pickle.dumps(Trap()),
        npy(np.zeros((3, 2), dtype=np.float32)),
        npy(np.zeros((3, 2), dtype=">f8")),
        npy(np.zeros((3, 2), dtype=np.int64)),
        npy(np.array([["a", "b"]])),
        npy(np.zeros((2, 3)).T),
        npy(np.zeros((3, 2)))[:-1],
        npy(np.zeros((3, 2))) + b"\x00",
        b"",
        b"\x93NUMPY",
        b"\x93NUMPY\x02\x00" + npy(np.zeros((3, 2)))[8:],
        header_of("(1000000000000,)"),
        header_of("(10000000000, 10000000000, 10000000000)"),
        header_of("(-1, -1)"),
        header_of("'a'"),
        header_of("(1,)", "'|O'"),
        header_of("(1,)", "[('a', '|O')]"),
    ],
)
def test_anything_but_a_plain_array_of_numbers_is_refused_unopened(
    file: Path, payload: bytes, data: bytes
) -> None:
    words = refusal(with_array(payload, file, "operator_effect", data))
    assert "operator_effect.npy is not a plain array of numbers; allowed: float64" in words
    assert not Trap.opened


def test_a_compressed_file_is_refused_before_it_is_unpacked(
    file: Path, payload: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    bomb = members_of(payload) | {"coefficients.npy": b"\x00" * 50_000_000}
    written(file, bomb, zipfile.ZIP_DEFLATED)
    assert file.stat().st_size < 200_000

    def unpacked(*_: object) -> bytes:
        raise AssertionError("a member was unpacked")

    monkeypatch.setattr(zipfile.ZipFile, "read", unpacked)
    assert "is oversized or compressed; allowed: plain members up to 256 MB" in refusal(file)


def test_an_oversized_member_is_refused_before_it_is_read(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive, "_MAX_MEMBER_BYTES", 100)
    assert "is oversized or compressed" in refusal(file)


@pytest.mark.parametrize(
    "rename",
    [
        {"coefficients.npy": "../coefficients.npy"},
        {"coefficients.npy": "/coefficients.npy"},
        {"coefficients.npy": "C:\\coefficients.npy"},
        {"coefficients.npy": "sub/coefficients.npy"},
        {"coefficients.npy": "Coefficients.npy"},
        {"model.json": "../../model.json"},
    ],
)
def test_members_by_another_path_are_refused(file: Path, payload: bytes, rename: dict[str, str]) -> None:
    members = {rename.get(name, name): data for name, data in members_of(payload).items()}
    words = refusal(written(file, members))
    assert "unexpected or missing members" in words
    assert {p.name for p in file.parent.iterdir()} == {"model.retreat"}
    assert not (file.parent.parent / "coefficients.npy").exists()


@pytest.mark.parametrize("extra", ["notes.txt", "rows.npy", "../evil", "/etc/evil", "sub/"])
def test_a_member_too_many_is_refused(file: Path, payload: bytes, extra: str) -> None:
    written(file, members_of(payload) | {extra: b"x"})
    assert f"unexpected or missing members: {extra}" in refusal(file)


@pytest.mark.parametrize("missing", ["model.json", *(f"{name}.npy" for name in ARRAYS)])
def test_a_member_too_few_is_refused(file: Path, payload: bytes, missing: str) -> None:
    members = members_of(payload)
    del members[missing]
    assert f"unexpected or missing members: {missing}" in refusal(written(file, members))


@pytest.mark.filterwarnings("ignore:Duplicate name")  # the zip writer warns of what the test is about
def test_a_member_twice_is_refused(file: Path, payload: bytes) -> None:
    with zipfile.ZipFile(file, "a") as out:
        out.writestr("coefficients.npy", b"x")
    assert "unexpected or missing members: a member twice" in refusal(file)


def test_an_encrypted_member_is_refused(file: Path, payload: bytes) -> None:
    changed = bytearray(payload)
    directory = payload.index(b"PK\x01\x02")
    changed[directory + 8] |= 1  # the flag of encryption in the directory
    changed[payload.index(b"PK\x03\x04") + 6] |= 1
    file.write_bytes(changed)
    assert "not a readable model file" in refusal(file)


# --- writing


def leftovers(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_save_replaces_an_older_file(tmp_path: Path) -> None:
    path = tmp_path / "model.retreat"
    path.write_text("old")
    assert made_model().save(str(path)) == path
    assert load(path).model_id == made_model().model_id
    assert leftovers(tmp_path) == {"model.retreat"}


@pytest.mark.parametrize("interruption", [KeyboardInterrupt, SystemExit, MemoryError])
@pytest.mark.parametrize("step", ["open", "replace"])
def test_an_interrupted_save_leaves_the_old_file_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, interruption: type[BaseException], step: str
) -> None:
    path = tmp_path / "model.retreat"
    path.write_text("old")

    def interrupted(*_: object, **__: object) -> None:
        raise interruption

    model = made_model()
    with monkeypatch.context() as patch:
        patch.setattr(Path, step, interrupted)
        with pytest.raises(interruption):
            model.save(path)
    assert leftovers(tmp_path) == {"model.retreat"}
    assert path.read_text() == "old"


@pytest.mark.parametrize("step", ["open", "replace"])
def test_a_save_that_the_disk_refuses_leaves_the_old_file_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    path = tmp_path / "model.retreat"
    path.write_text("old")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    model = made_model()
    with monkeypatch.context() as patch:
        patch.setattr(Path, step, full)
        with pytest.raises(ModelFileError, match=r"cannot be written \(No space left on device\)"):
            model.save(path)
    assert leftovers(tmp_path) == {"model.retreat"}
    assert path.read_text() == "old"


def test_a_full_disk_while_writing_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Full(io.BytesIO):
        def write(self, _: Any) -> int:
            raise OSError(28, "No space left on device")

    model = made_model()
    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", lambda *_: Full())
        with pytest.raises(ModelFileError, match="No space left"):
            model.save(tmp_path / "model.retreat")
    assert leftovers(tmp_path) == set()


def test_an_unwritable_folder_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    model = made_model()
    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", forbidden)  # root may write anywhere
        with pytest.raises(ModelFileError) as caught:
            model.save(tmp_path / "model.retreat")
    (fault,) = caught.value.faults
    assert fault.what == "cannot be written (Permission denied)"
    assert fault.allowed == "a writable folder"


@pytest.mark.parametrize("place", ["no/such/folder/model.retreat", "file/model.retreat", "folder"])
def test_a_place_that_cannot_hold_a_file_is_told(tmp_path: Path, place: str) -> None:
    (tmp_path / "file").write_text("x")
    (tmp_path / "folder").mkdir()
    with pytest.raises(ModelFileError, match="cannot be written"):
        made_model().save(tmp_path / place)
    assert leftovers(tmp_path) == {"file", "folder"}
