"""Saved models: one zip of JSON and npy arrays. No pickle, no rows, checksummed, versioned, written atomically."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.errors import Fault, ModelFileError
from retreat.features import features
from retreat.files import write_whole
from retreat.model.card import ModelCard
from retreat.model.casemix import CaseMix
from retreat.model.fitted import Model
from retreat.model.history.saved import history_of
from retreat.model.kernel import Parameters
from retreat.model.support import Support

FORMAT = "retreat-model"
SCHEMA_VERSION = 3
_ARRAYS = ("coefficients", "session_effects", "operator_effect", "patient_loading", "never")
_HISTORY = "history"
# members that only some models have
_OPTIONAL = ("never", _HISTORY)
# arrays of each schema version that can be read, with the name each has now
_READABLE = {
    1: {name: name for name in _ARRAYS[:3]} | {"patient_sd": "patient_loading"},
    2: {name: name for name in _ARRAYS},
    3: {name: name for name in (*_ARRAYS, _HISTORY)},
}
_HEADER = "model.json"
_MAX_MEMBER_BYTES = 256 * 1024 * 1024
_NEW_FIT = "fit the model again from the case table"
# what reading a damaged or crafted file raises on its way through zipfile, json, numpy and the records
_DAMAGE = (
    zipfile.BadZipFile,
    RuntimeError,  # encrypted members, unknown compression, JSON nested without end
    OSError,
    EOFError,
    ValueError,
    TypeError,
    AttributeError,
    LookupError,
    ArithmeticError,
    MemoryError,
)


def save(model: Model, path: str | Path) -> Path:
    """Write a model; see :meth:`retreat.model.Model.save`."""
    target = Path(path)
    try:
        write_whole(target, _pack(model))
    except OSError as error:
        raise ModelFileError(_cannot_write(target, error)) from None
    return target


def load(path: str | Path) -> Model:
    """Read a saved model; needs numpy alone.

    Parameters
    ----------
    path : str or Path
        A file written by :meth:`Model.save`.

    Raises
    ------
    ModelFileError
        If the file is missing, damaged, altered, of another program or of a newer schema, or holds
        anything but the expected plain arrays.
    """
    source = Path(path)
    try:
        with zipfile.ZipFile(source) as archive:
            members = _read_members(source, archive)
        return _unpack(source, members)
    except ModelFileError:
        raise
    except FileNotFoundError:
        raise ModelFileError(Fault(str(source), "no such file", "a saved model", "check the path")) from None
    except PermissionError as error:
        raise ModelFileError(
            Fault(
                str(source), f"cannot be read ({error.strerror})", "a readable file", "check its permissions"
            )
        ) from None
    except zipfile.BadZipFile:
        what = "not a readable model file: of another kind, or cut short"
        raise ModelFileError(Fault(str(source), what, "a saved model", _NEW_FIT)) from None
    except _DAMAGE as error:
        what = f"not a readable model file: damaged ({error})"
        raise ModelFileError(Fault(str(source), what, "a saved model", _NEW_FIT)) from None


def fingerprint(model: Model) -> str:
    """SHA-256 of all the model holds."""
    return _checksum(_description(model), _arrays_of(model))


def _pack(model: Model) -> bytes:
    arrays = _arrays_of(model)
    description = _description(model)
    header = {
        "format": FORMAT,
        # a program that knows no history still reads a model without one
        "schema_version": SCHEMA_VERSION if model.history is not None else SCHEMA_VERSION - 1,
        "checksum": _checksum(description, arrays),
        "model": description,
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        _write_member(archive, _HEADER, json.dumps(header, indent=1, allow_nan=False).encode())
        for name, payload in arrays.items():
            _write_member(archive, f"{name}.npy", payload)
    return buffer.getvalue()


def _write_member(archive: zipfile.ZipFile, name: str, payload: bytes) -> None:
    # a fixed date: the same model gives the same bytes
    archive.writestr(zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0)), payload)


def _arrays_of(model: Model) -> dict[str, bytes]:
    """Arrays as bytes; a share of never-responders only where there is one, so that other models keep their id."""
    arrays = {
        name: _npy(getattr(model.parameters, name))
        for name in _ARRAYS
        if name not in _OPTIONAL or model.parameters.never.any()
    }
    if model.history is not None:
        arrays[_HISTORY] = _npy(model.history.values)
    return arrays


def _description(model: Model) -> dict[str, Any]:
    history = {} if model.history is None else {"history": model.history.to_json()}
    return {
        **history,
        "card": model.card.to_json(),
        "coding": model.coding.to_json(),
        "link": model.link,
        "strata": list(model.strata),
        "stratum_feature": model.stratum_feature,
        "case_mix": model.case_mix.to_json(),
        "support": model.support.to_json(),
    }


def _npy(array: NDArray[np.float64]) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, np.ascontiguousarray(array, dtype="<f8"), allow_pickle=False)
    return buffer.getvalue()


def _checksum(description: Mapping[str, Any], arrays: Mapping[str, bytes]) -> str:
    # keys stay in their order, here and in the file: the cells of the support are named in that of its edges
    digest = hashlib.sha256(json.dumps(description, allow_nan=False).encode())
    for payload in arrays.values():
        digest.update(payload)
    return digest.hexdigest()


def _read_members(source: Path, archive: zipfile.ZipFile) -> dict[str, bytes]:
    infos = archive.infolist()
    names = [info.filename for info in infos]
    found = set(names) - {f"{name}.npy" for name in _OPTIONAL}
    known = [_required(version) for version in _READABLE]
    if found not in known or len(names) != len(set(names)):
        odd = sorted(found ^ known[-1]) or ["a member twice"]
        raise ModelFileError(
            Fault(
                str(source),
                f"unexpected or missing members: {', '.join(odd[:5])}",
                ", ".join(sorted(known[-1])),
            )
        )
    for info in infos:
        if info.file_size > _MAX_MEMBER_BYTES or info.compress_type != zipfile.ZIP_STORED:
            raise ModelFileError(
                Fault(
                    str(source),
                    f"member {info.filename} is oversized or compressed",
                    f"plain members up to {_MAX_MEMBER_BYTES // 2**20} MB",
                    _NEW_FIT,
                )
            )
    return {name: archive.read(name) for name in names}


def _required(version: int) -> set[str]:
    return {_HEADER, *(f"{name}.npy" for name in _READABLE[version] if name not in _OPTIONAL)}


def _unpack(source: Path, members: Mapping[str, bytes]) -> Model:
    header = _header(source, members[_HEADER])
    now = _READABLE[header["schema_version"]]
    arrays = {name: members[f"{name}.npy"] for name in now if f"{name}.npy" in members}
    if header.get("checksum") != _checksum(header["model"], arrays):
        raise ModelFileError(
            Fault(str(source), "the checksum does not agree: the file was changed or damaged", fix=_NEW_FIT)
        )
    return _build(header["model"], {now[name]: _array(source, name, data) for name, data in arrays.items()})


def _header(source: Path, payload: bytes) -> dict[str, Any]:
    try:
        header = json.loads(payload)
    except ValueError:
        raise ModelFileError(Fault(str(source), "model.json is not JSON", fix=_NEW_FIT)) from None
    if (
        not isinstance(header, dict)
        or header.get("format") != FORMAT
        or not isinstance(header.get("model"), dict)
    ):
        raise ModelFileError(Fault(str(source), "not a model of this package", f"format {FORMAT}"))
    version = header.get("schema_version")
    if version not in _READABLE:
        newer = isinstance(version, int) and version > SCHEMA_VERSION
        fix = "update the package, then load it again" if newer else _NEW_FIT
        raise ModelFileError(
            Fault(str(source), f"schema version {version!r}", f"version {SCHEMA_VERSION}", fix)
        )
    return header


def _array(source: Path, name: str, payload: bytes) -> NDArray[np.float64]:
    # read as bytes of a known type, so that a header can ask neither for objects nor for memory
    stream = io.BytesIO(payload)
    fault = Fault(str(source), f"{name}.npy is not a plain array of numbers", "float64", _NEW_FIT)
    try:
        version = np.lib.format.read_magic(stream)
        shape, fortran_order, dtype = np.lib.format.read_array_header_1_0(stream)
        if version != (1, 0) or fortran_order or dtype != np.dtype("<f8"):
            raise ModelFileError(fault)
        return np.frombuffer(payload, dtype=dtype, offset=stream.tell()).reshape(shape).copy()
    except _DAMAGE:
        raise ModelFileError(fault) from None


def _build(data: Mapping[str, Any], arrays: dict[str, NDArray[np.float64]]) -> Model:
    if data["link"] not in ("logit", "cloglog"):
        raise ValueError(f"link {data['link']!r}")
    told = arrays.pop(_HISTORY, None)
    if (told is None) != ("history" not in data):
        raise ValueError("a history without its values, or values without their history")
    model = Model(
        history=None if told is None else history_of(data["history"], told),
        card=ModelCard.from_json(data["card"]),
        coding=Coding.from_json(data["coding"]),
        link=data["link"],
        parameters=Parameters(**arrays),
        strata=tuple(str(s) for s in data["strata"]),
        stratum_feature=str(data["stratum_feature"]),
        case_mix=CaseMix.from_json(data["case_mix"]),
        support=Support.from_json(data["support"]),
    )
    _check_shapes(model)
    _check_replay(model)
    return model


def _check_replay(model: Model) -> None:
    """Code a case of which nothing is known: terms, levels, knots and names of features must fit together."""
    mix, support = model.case_mix, model.support
    named = {*model.coding.features, *mix.levels, *mix.quantiles, mix.pivot, model.stratum_feature}
    for part in mix.within.values():
        named |= {*part.levels, *part.quantiles}
    named |= {*support.ranges, *support.levels, *support.edges}
    blank = features({"opacity": [None]}, sorted(named - {""}))
    width = model.coding.encode(blank, n_cases=1).shape[1]
    if width != len(model.coding.names):
        raise ValueError(f"the terms code {width} columns, not {len(model.coding.names)}")


def _check_shapes(model: Model) -> None:
    p, ends = model.parameters, len(model.card.ends)
    draws = p.coefficients.shape[0]
    if 0 in (draws, ends, p.max_session):
        raise ValueError(f"{draws} draws, {ends} ends and {p.max_session} sessions")
    expected = {
        "coefficients": (draws, ends, len(model.coding.names)),
        "session_effects": (draws, max(1, len(model.strata)), ends, p.session_effects.shape[-1]),
        "operator_effect": (draws, ends),
        "patient_loading": (draws, ends),
        "never": (draws if len(p.never) > 1 else 1,),
    }
    for name, shape in expected.items():
        if getattr(p, name).shape != shape:
            raise ValueError(f"{name} has shape {getattr(p, name).shape}, not {shape}")
    if model.history is not None and len(model.history.values) != draws:
        raise ValueError(f"{len(model.history.values)} draws of the history, {draws} of the model")
    if not all(
        np.isfinite(getattr(p, name)).all() for name in ("coefficients", "operator_effect", "patient_loading")
    ):
        raise ValueError("a parameter is not finite")
    if not ((p.never >= 0) & (p.never <= 1)).all():
        raise ValueError("a share is not between 0 and 1")
    if np.isnan(p.session_effects).any() or np.isposinf(p.session_effects).any():
        raise ValueError("a session effect is not a number")


def _cannot_write(target: Path, error: OSError) -> Fault:
    return Fault(
        str(target), f"cannot be written ({error.strerror or error})", "a writable folder", "choose another"
    )
