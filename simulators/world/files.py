"""Reading world files: YAML 1.2 in, a validated model out."""

from importlib import resources
from pathlib import Path

from pydantic import ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from simulators.world.model import WorldModel

_LARGEST_FILE_BYTES = 1_000_000


class WorldFileError(Exception):
    """A world file cannot be used: the message says which file, which key and what is wrong."""


def world_path(name: str) -> Path:
    """Path of a shipped world by its name (``workshop``), or ``name`` itself if it is a file.

    Raises WorldFileError when there is neither.
    """
    direct = Path(name)
    if direct.is_file():
        return direct
    folder = _shipped_folder()
    shipped = folder / f"{name.removesuffix('.yaml')}.yaml"
    if shipped.parent == folder and shipped.is_file():
        return shipped
    known = ", ".join(shipped_worlds())
    raise WorldFileError(f"no world file {name!r}: give a path, or one of the shipped: {known}")


def shipped_worlds() -> list[str]:
    """The names of the worlds that come with benchd."""
    return sorted(path.stem for path in _shipped_folder().glob("*.yaml"))


def _shipped_folder() -> Path:
    return Path(str(resources.files("simulators.worlds")))


def read_world(path: Path) -> WorldModel:
    """Read and check one world file.

    Raises WorldFileError for a file that is missing, too large, not YAML or not a world.
    """
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise WorldFileError(f"{path}: larger than {_LARGEST_FILE_BYTES} bytes, not a world")
        text = path.read_text(encoding="utf-8")
        content = YAML(typ="safe", pure=True).load(text)
    except OSError as error:
        raise WorldFileError(f"{path}: cannot be read: {error.strerror}") from error
    except (UnicodeDecodeError, YAMLError) as error:
        raise WorldFileError(f"{path}: not YAML 1.2 in UTF-8: {error}") from error
    try:
        return WorldModel.model_validate(content)
    except ValidationError as error:
        lines = [
            f"{path}: {'.'.join(str(part) for part in item['loc']) or 'file'}: {item['msg']}"
            for item in error.errors()
        ]
        raise WorldFileError("\n".join(lines)) from error
