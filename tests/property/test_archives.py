"""Any files, any names: what our writer puts in, our reader and the standard library take out."""

from __future__ import annotations

import io
import tarfile
import zipfile

from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.archivewriting import Form, made

from provpack.chunks.source import BytesSource
from provpack.package.archivetar import read_tar
from provpack.package.archivezip import read_zip

PART = st.text(
    st.characters(exclude_characters="/\\\0", exclude_categories=["Cs"]), min_size=1, max_size=120
).filter(lambda part: part not in (".", ".."))
# Beneath folders that no file is named like, so that no path is both.
PATH = st.builds(lambda folders, name: "/".join([*(f"{f}_" for f in folders), f"{name}."]),
                 st.lists(PART, max_size=4), PART)  # fmt: skip
FILES = st.dictionaries(PATH, st.binary(max_size=1500), max_size=8)


@settings(max_examples=150, deadline=None)
@given(files=FILES, form=st.sampled_from(("tar", "zip")))
@example(files={"x" * 97: b"", "x" * 96 + "/y": b"1", "x" * 151 + "/" + "y" * 100: b"2"}, form="tar")
def test_what_goes_in_comes_out(files: dict[str, bytes], form: Form) -> None:
    whole = {f"b/{path}": content for path, content in files.items()}
    data = made(form, "b", sorted(files.items()))
    contents = (read_tar if form == "tar" else read_zip)(BytesSource(data))
    assert not contents.findings and contents.usable
    ours = {m.path: data[m.offset : m.offset + m.stored] for m in contents.members if m.kind == "file"}
    assert ours == whole
    if form == "tar":
        with tarfile.open(fileobj=io.BytesIO(data)) as tar:
            theirs = {m.name: f.read() for m in tar if m.isfile() and (f := tar.extractfile(m))}
    else:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            theirs = {i.filename: archive.read(i) for i in archive.infolist() if not i.is_dir()}
    assert theirs == whole


@settings(max_examples=300, deadline=None)
@given(data=st.binary(max_size=3000), form=st.sampled_from(("tar", "zip")))
def test_any_bytes_are_read_without_a_fault(data: bytes, form: Form) -> None:
    contents = (read_tar if form == "tar" else read_zip)(BytesSource(data))
    assert contents.findings or not any(data)
