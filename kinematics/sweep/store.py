"""A sweep's folder: the study, its identity, and one Parquet part a chunk, each whole or absent."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from kinematics.base.errors import InputError
from kinematics.base.files import Refusal, write_file
from kinematics.base.versions import versions
from kinematics.sweep.rows import Columns
from kinematics.sweep.study import Study, digest

MANIFEST = "sweep.json"
STUDY_COPY = "study.toml"
LOCK = ".running"
SWEEP_EXTRA = "In the project's folder: pip install '.[sweep]'"
SCHEMA = "hingewise-sweep/1"
KEY_DIGEST, KEY_CHUNK = b"hingewise_study", b"hingewise_chunk"
REFUSAL = Refusal(
    "out", full_fix="Free some space and run the same command again: what is finished stays."
)
LIBRARIES = ("hingewise", "numpy", "scipy", "numba", "pyarrow", "pydantic")


def parquet() -> Any:
    """The Parquet library, or an ``InputError`` that says how to get it."""
    try:
        import pyarrow.parquet
    except ImportError:
        raise InputError("sweep", "no pyarrow", "the extra 'sweep'", SWEEP_EXTRA) from None
    return pyarrow.parquet


def part_name(chunk: int) -> str:
    """File name of a chunk's part."""
    return f"part-{chunk:06d}.parquet"


def encode_part(columns: Columns, study_digest: str, chunk: int) -> bytes:
    """A chunk's rows as the bytes of a Parquet file, with page checksums and its identity."""
    import pyarrow as pa

    table = pa.table({k: pa.array(v) for k, v in columns.items()})
    table = table.replace_schema_metadata(
        {KEY_DIGEST: study_digest.encode(), KEY_CHUNK: str(chunk).encode()}
    )
    sink = pa.BufferOutputStream()
    parquet().write_table(table, sink, compression="zstd", write_page_checksum=True)
    return bytes(sink.getvalue())


class SweepFolder:
    """The folder of one sweep.

    Parameters
    ----------
    folder : Path or str
        Made if missing.
    study : Study

    Raises
    ------
    InputError
        The folder holds another study, or Parquet files that are not this sweep's.
    """

    def __init__(self, folder: Path | str, study: Study) -> None:
        self.folder, self.study = Path(folder), study
        self.identity = study.identity()
        self.digest = digest(self.identity)

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the folder against a second run; the lock goes with the process."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle = os.open(self.folder / LOCK, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as error:
            raise REFUSAL.error(self.folder, error) from None
        try:
            try:
                import fcntl

                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except ImportError:  # no such lock on this system: one run at a time is on the user
                pass
            except OSError:
                got = "a sweep that is still running there"
                need = "one run at a time in a folder"
                fix = "Wait for it, or choose another folder."
                raise InputError("out", got, need, fix, self.folder) from None
            yield
        finally:
            os.close(handle)

    def open(self, study_text: str | None = None) -> list[int]:
        """Check what is there, store the study beside it, and return the chunks still to do.

        Parameters
        ----------
        study_text : str, optional
            The study file's own text, stored as it is.

        Raises
        ------
        InputError
            See the class; a damaged part is named, with what to do.
        """
        for stale in self.folder.glob(".part-*.tmp"):
            stale.unlink(missing_ok=True)
        manifest = self.folder / MANIFEST
        present = sorted(p.name for p in self.folder.glob("*.parquet"))
        if manifest.exists():
            self._check_manifest(manifest)
        elif present:
            got = f"Parquet files of something else ({present[0]})"
            fix = "Choose another folder, or move these files away."
            raise InputError("out", got, "an empty folder, or one of this study", fix, self.folder)
        else:
            if study_text is not None:
                write_file(self.folder / STUDY_COPY, study_text, REFUSAL)
            write_file(manifest, json.dumps(self._manifest(), indent=1), REFUSAL)
        known = {part_name(i): i for i in range(self.study.chunks)}
        foreign = [name for name in present if name not in known]
        if foreign:
            got = f"a file that is not of this sweep ({foreign[0]})"
            fix = "Move it away and run again."
            raise InputError("out", got, "only this sweep's parts", fix, self.folder / foreign[0])
        done = {known[name] for name in present}
        for chunk in sorted(done):
            self.read_part(chunk)
        return [i for i in range(self.study.chunks) if i not in done]

    def read_part(self, chunk: int) -> Any:
        """Read a part and check it: checksums, identity, rows.

        Raises
        ------
        InputError
            Damaged, or of another study or chunk.
        """
        path = self.folder / part_name(chunk)
        try:
            table = parquet().read_table(path, page_checksum_verification=True, partitioning=None)
            metadata = table.schema.metadata or {}
            damaged = None
        except (OSError, ValueError) as error:  # pyarrow's errors are of these two kinds
            damaged = str(error).splitlines()[0]
        if damaged is not None:
            got = f"a damaged part ({damaged[:120]})"
            fix = "Delete that file and run again: only its rows are computed anew."
            raise InputError("out", got, "whole Parquet files", fix, path)
        rows = self.study.rows_of(chunk)
        if (
            metadata.get(KEY_DIGEST, b"").decode() != self.digest
            or metadata.get(KEY_CHUNK, b"").decode() != str(chunk)
            or table.num_rows != len(rows)
            or table.column("sample").to_numpy().tolist()[:1] != [rows.start]
        ):
            got = "a part of another study or place"
            need = f"rows {rows.start} to {rows.stop - 1} of this study"
            raise InputError("out", got, need, "Move that file away and run again.", path)
        return table

    def _manifest(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "digest": self.digest,
            "identity": self.identity,
            "case_file": self.study.case_file,
            "rows": self.study.samples,
            "parts": self.study.chunks,
            "seed": self.study.seed,
            "versions": versions(LIBRARIES),
        }

    def _check_manifest(self, path: Path) -> None:
        try:
            there = json.loads(path.read_text(encoding="utf-8"))
            old = there["identity"]
            same = there["digest"] == digest(old)
        except (OSError, ValueError, KeyError, TypeError):
            same, old = False, {}
        if not same:
            got = "a damaged sweep.json"
            fix = "Choose another folder, or delete this one and start again."
            raise InputError("out", got, "the one that the sweep wrote", fix, path)
        if old != self.identity:
            got = f"results of a study that has changed since ({difference(old, self.identity)})"
            need = "the same study, case, meshes and version"
            fix = "Undo the change, or choose another folder: rows of two studies are never mixed."
            raise InputError("out", got, need, fix, self.folder)


def difference(old: Any, new: Any, where: str = "") -> str:
    """The first difference of two nested dicts or lists, in words."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in sorted(set(old) | set(new)):
            name = f"{where}.{key}".lstrip(".")
            if key not in old:
                return f"{name} is new"
            if key not in new:
                return f"{name} is gone"
            if old[key] != new[key]:
                return difference(old[key], new[key], name)
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for i, (a, b) in enumerate(zip(old, new, strict=True)):
            if a != b:
                return difference(a, b, f"{where}.{i}")
    return f"{where}: {_short(old)} then, {_short(new)} now"


def _short(value: Any) -> str:
    text = json.dumps(value)
    return text if len(text) <= 60 else text[:57] + "..."


def column(table: Any, name: str) -> np.ndarray:
    """A column of a sweep's table as an array."""
    return table.column(name).to_numpy(zero_copy_only=False)
