"""Reading a TOML file into a checked model: every problem at once, with file, line, key and next step."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Generic, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from cuesync.errors import FaultyFileError, InputError, Problem
from cuesync.storage import nearest_file
from cuesync.tomllines import KeyPath, key_lines, line_of


class Table(BaseModel):
    """Base of everything read from a file: unknown keys are errors, values don't change once read."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        defer_build=True,  # once, for the whole file, when one is read; not again for each table in it
    )


ModelT = TypeVar("ModelT", bound=Table)


class TomlFile(Generic[ModelT]):
    """A file as read: where it is, its text, the checked content, and the line of each key."""

    def __init__(self, path: Path, text: str, content: ModelT, lines: dict[KeyPath, int]) -> None:
        self.path = path
        self.text = text
        self.content = content
        self._lines = lines

    def problem(self, key: KeyPath, what: str, todo: str) -> Problem:
        """A problem with the key at `key`; entries count from 0 here, from 1 in what the user reads."""
        return Problem(
            file=str(self.path), line=line_of(self._lines, key), key=_spell(key), what=what, todo=todo
        )

    def beside(self, name: str) -> Path:
        """Path of a file that the TOML file names: relative names start at the TOML file's folder."""
        try:
            return self.path.parent / Path(name).expanduser()
        except RuntimeError:  # "~somebody" who is not known here
            return self.path.parent / name


def _spell(key: KeyPath) -> str:
    spelled = ""
    for part in key:
        if isinstance(part, int):
            spelled += f"[{part + 1}]"
        else:
            spelled += f".{part}" if spelled else part
    return spelled


def read_toml_text(path: Path, kind: str, fits: Callable[[Path], bool] = lambda _: True) -> str:
    """Text of a TOML file; InputError says what `kind` of file could not be read and what to do.

    Where it is missing, a file like it is named that `fits` says yes to.
    """
    try:
        return path.read_text(encoding="utf-8-sig")  # editors on Windows put a mark in front
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such {kind}. {nearest_file(path, fits)}") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: this is not a text file, so it can't be a {kind}.") from None
    except OSError as error:
        if path.is_dir():
            raise InputError(f"{path}: this is a folder, and no {kind}. Name a file in it.") from None
        raise InputError(
            f"{path}: this {kind} can't be read ({error.strerror or error}). Check that you may read it."
        ) from None


def raw_toml(path: Path) -> dict[str, Any]:
    """What a TOML file holds, unchecked, to see what it is meant as; empty where it can't be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return {}


def read_toml(
    path: Path, model: type[ModelT], kind: str, fits: Callable[[Path], bool] = lambda _: True
) -> TomlFile[ModelT]:
    """Read and check `path` against `model`; `kind` and `fits` as in `read_toml_text`.

    Raises:
        InputError: the file can't be read.
        FaultyFileError: it is no TOML, or its content does not fit the model; all problems together.
    """
    return check_toml(path, read_toml_text(path, kind, fits), model)


def check_toml(path: Path, text: str, model: type[ModelT]) -> TomlFile[ModelT]:
    """Check `text`, which is or will be the file at `path`, against `model`; errors as `read_toml`."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FaultyFileError([_broken_toml(path, text, error)]) from None
    if not raw:
        what = "the file holds nothing but comments." if text.strip() else "the file is empty."
        todo = "Was it saved, or cut off while it was copied?"
        raise FaultyFileError([Problem(file=str(path), line=None, key="", what=what, todo=todo)])
    lines = key_lines(text)
    try:
        content = model.model_validate(raw)
    except ValidationError as error:
        details = error.errors()
        meant = {_meant_key(model, tuple(detail["loc"])) for detail in details if detail["type"] == _UNKNOWN}
        # a misspelt key would be told twice: as unknown, and as missing
        problems = [
            _problem(path, model, lines, detail)
            for detail in details
            if not (detail["type"] == "missing" and tuple(detail["loc"]) in meant)
        ]
        raise FaultyFileError(sorted(problems, key=lambda problem: problem.line or 0)) from None
    return TomlFile(path, text, content, lines)


def _broken_toml(path: Path, text: str, error: tomllib.TOMLDecodeError) -> Problem:
    message = str(error)
    line: int | None = None
    if "(at line " in message:
        message, _, place = message.partition(" (at line ")
        line = int(place.split(",")[0])
    elif "end of document" in message:
        message, line = message.partition(" (at ")[0], text.count("\n") + 1
    if line is not None and (twice := _given_twice(message, "".join(text.split("\n")[line - 1 : line]))):
        return Problem(file=str(path), line=line, key="", what=twice[0], todo=twice[1])
    todo = "Mend this line; strings need quotes, and every [ and { its partner."
    if line is not None and line >= len(text.rstrip().splitlines()):
        todo = "The file seems to end too early: was it cut off? " + todo
    return Problem(file=str(path), line=line, key="", what=f"not valid TOML: {message}.", todo=todo)


def _given_twice(message: str, line: str) -> tuple[str, str] | None:
    """Problem and next step where `tomllib` means that a key or a table is there already."""
    if not re.match(r"Cannot (overwrite a value|declare \(.*\) twice)|Duplicate inline table key", message):
        return None
    table = re.match(r"\s*\[+([^\]]*)\]", line)
    if table is None:
        key = re.match(r"\s*([\w.\"'-]+)\s*=", line)
        return f"this key is given twice{f' ({key[1]})' if key else ''}.", "Keep one of the two."
    name = table[1].strip()
    return (
        f"this table is given twice ([{name}]).",
        f"Put all keys under one [{name}], or, where there may be several, write each as [[{name}]].",
    )


def _model_at(model: type[BaseModel], key: KeyPath) -> type[BaseModel] | None:
    """The model whose table lies at `key`, following fields through lists and unions."""
    current: Any = model
    for part in key:
        if isinstance(part, int):
            continue
        if not (isinstance(current, type) and issubclass(current, BaseModel)):
            return None
        field = current.model_fields.get(part)
        if field is None:
            return None
        current = _inner_model(field.annotation)
    return current if isinstance(current, type) and issubclass(current, BaseModel) else None


def _inner_model(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        found = _inner_model(argument)
        if found is not None:
            return found
    return None


_UNKNOWN = "extra_forbidden"
_OWN_LINE = "on a line of its own, its keys below it."
_UNITS = {
    "ms": "milliseconds",
    "s": "seconds",
    "m": "metres",
    "db": "decibels",
    "v": "volts",
    "c": "degrees Celsius",
    "hz": "hertz",
}
"""The units of our keys, in words."""
_FOREIGN_UNITS = (
    *("sec", "secs", "seconds", "msec", "us", "min", "mins", "minutes", "h"),
    *("ft", "feet", "foot", "in", "inch", "inches", "yd", "cm", "mm", "km", "metres", "meters"),
    *("mv", "volts", "f", "fahrenheit", "k", "khz", "percent"),
)
"""Units that people may think in, and no key of ours has."""


def _stem_and_unit(key: str) -> tuple[str, str]:
    """A key without the unit at its end, and that unit; "" where it has none."""
    stem, _, unit = key.rpartition("_")
    return (stem, unit) if stem and (unit in _UNITS or unit in _FOREIGN_UNITS) else (key, "")


def _nearest_key(wrong: str, known: list[str]) -> str | None:
    stem, unit = _stem_and_unit(wrong)
    same_stem = [key for key in known if _stem_and_unit(key)[0] == stem]
    if unit:  # rather the key that has a unit as well
        same_stem.sort(key=lambda key: not _stem_and_unit(key)[1])
    return next(iter(same_stem or get_close_matches(wrong, known, n=1, cutoff=0.5)), None)


def _known_keys(model: type[BaseModel], key: KeyPath) -> list[str]:
    around = _model_at(model, key[:-1])
    return list(around.model_fields) if around else []


def _meant_key(model: type[BaseModel], key: KeyPath) -> KeyPath | None:
    near = _nearest_key(str(key[-1]), _known_keys(model, key))
    return None if near is None else (*key[:-1], near)


def _right_key_words(wrong: str, known: list[str]) -> str:
    near = _nearest_key(wrong, known)
    if near is None:
        return f"Known here: {', '.join(known)}."
    (stem, unit), (near_stem, near_unit) = _stem_and_unit(wrong), _stem_and_unit(near)
    if stem == near_stem and near_unit:
        convert = "convert the value to" if unit in _FOREIGN_UNITS else "give the value in"
        return f"Write {near} and {convert} {_UNITS[near_unit]}."
    return f"Did you mean {near}?"


def _problem(path: Path, model: type[BaseModel], lines: dict[KeyPath, int], detail: ErrorDetails) -> Problem:
    key: KeyPath = tuple(detail["loc"])
    kind, context = detail["type"], detail.get("ctx", {})
    value = detail.get("input")
    todo = ""
    if kind == _UNKNOWN:
        what, todo = "this key is not known.", _right_key_words(str(key[-1]), _known_keys(model, key))
    elif kind == "missing":
        what, todo = "this key is missing.", f"Add {key[-1]} = …"
        around = _model_at(model, key[:-1])
        field = around.model_fields.get(str(key[-1])) if around else None
        if _model_at(model, key) is not None:
            what, todo = "this table is missing.", f"Write [{key[-1]}] {_OWN_LINE}"
        elif field is not None and field.description:
            todo += f" ({field.description})"
    elif kind in ("value_error", "assertion_error"):
        what = str(context.get("error", detail["msg"]))
    elif kind == "finite_number":
        what = f"{value!r} is no number that can be worked with."
        todo = "Write a plain number without unit or quotes; the key's name holds the unit."
    elif kind in ("float_type", "int_type"):
        what = f"{value!r} is not a number."
        todo = "Write a plain number without unit or quotes; the key's name holds the unit."
    elif kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        word, limit = {
            "greater_than": ("more than", "gt"),
            "greater_than_equal": ("at least", "ge"),
            "less_than": ("less than", "lt"),
            "less_than_equal": ("at most", "le"),
        }[kind]
        what, todo = f"{value!r} is out of range.", f"Write a number that is {word} {context[limit]:g}."
    elif kind == "literal_error":
        what, todo = f"{value!r} is not known.", f"Write one of {context['expected']}."
    elif kind == "model_type":
        what, todo = (
            f"{value!r} is not a table.",
            f"Write [{key[-1]}] {_OWN_LINE}",
        )
    elif kind == "string_type":
        what, todo = f"{value!r} is not a text.", "Put it in quotes."
    else:
        what = f"{detail['msg']}."
    return Problem(file=str(path), line=line_of(lines, key), key=_spell(key), what=what, todo=todo)
