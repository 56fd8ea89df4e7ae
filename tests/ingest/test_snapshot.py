"""Bytes to plain lines: encodings, packing, and what is no table at all."""

import gzip
import hashlib
import io
import os
import zipfile

import pytest

from fleetbelt.contract import input_table
from fleetbelt.errors import InputError, PlaceError
from fleetbelt.ingest import snapshot as snapshots
from fleetbelt.ingest.folder import Source
from fleetbelt.ingest.records import Grammar, Malformed, Shape, records
from fleetbelt.ingest.snapshot import take
from fleetbelt.settings import FileMapping, Intake

TEXT = "vehicle_id,depot\nV1,Zürich\nV2,Łódź\n"


@pytest.fixture
def taken(tmp_path):
    """Take bytes as the file vehicles.csv; returns the snapshot and its bytes."""

    def take_bytes(data: bytes, *, intake: Intake | None = None, encoding: str = ""):
        path = tmp_path / "vehicles.csv"
        path.write_bytes(data)
        workplace = tmp_path / "work"
        workplace.mkdir(exist_ok=True)
        source = Source(
            path=path,
            file=path.name,
            table=input_table("vehicles"),
            mapping=FileMapping(name="*", encoding=encoding),
        )
        snapshot = take(source, workplace, intake or Intake())
        return snapshot, snapshot.path.read_bytes()

    return take_bytes


@pytest.mark.parametrize(
    ("data", "encoding"),
    [
        (TEXT.encode(), "utf-8"),
        (TEXT.encode("utf-8-sig"), "utf-8"),
        (TEXT.encode("utf-16"), "utf-16"),
        (b"\xfe\xff" + TEXT.encode("utf-16-be"), "utf-16"),
        (TEXT.encode("utf-16-le"), "utf-16-le"),
        (TEXT.encode("utf-16-be"), "utf-16-be"),
        (TEXT.encode("utf-32"), "utf-32"),
        (gzip.compress(TEXT.encode(), mtime=0), "utf-8"),
        (TEXT.replace("\n", "\r\n").encode(), "utf-8"),
        (TEXT.replace("\n", "\r").encode(), "utf-8"),
        ((TEXT + "\n\n\r\n").encode(), "utf-8"),
    ],
)
def test_every_encoding_packing_and_line_end_gives_the_same_lines(
    taken, data, encoding
):
    snapshot, lines = taken(data)

    assert lines.decode() == TEXT.rstrip("\n")
    assert snapshot.encoding == encoding
    assert snapshot.sha256 == hashlib.sha256(data).hexdigest()
    assert (snapshot.n_lines, snapshot.n_bytes) == (3, len(lines))
    assert snapshot.is_plain


@pytest.mark.parametrize("size", [1, 2, 3, 7])
def test_nothing_depends_on_where_a_chunk_ends(taken, monkeypatch, size):
    monkeypatch.setattr(snapshots, "_CHUNK", size)
    data = TEXT.replace("\n", "\r\n").encode() + b"\r\r\n\nV3,x\r"

    snapshot, lines = taken(data)

    assert lines.decode() == TEXT + "\n\n\nV3,x"
    assert snapshot.is_utf8
    assert snapshot.n_lines == 7


def test_accents_that_are_no_utf_8_anywhere_are_windows_1252(taken):
    snapshot, lines = taken("vehicle_id,depot\nV1,Zürich – 5 €\n".encode("cp1252"))

    assert snapshot.encoding == "cp1252"
    assert lines.decode().endswith("Zürich – 5 €")


def test_a_broken_byte_among_utf_8_spoils_only_its_line(taken):
    data = TEXT.encode() + b"V3,\xfc\n"

    snapshot, lines = taken(data)

    assert (snapshot.encoding, snapshot.is_utf8) == ("utf-8", False)
    assert lines == data.rstrip(b"\n")


def test_a_byte_windows_1252_does_not_have_is_not_read_as_it(taken):
    snapshot, _ = taken(b"vehicle_id,depot\nV1,Z\x81rich\n")

    assert snapshot.encoding == "utf-8"
    assert not snapshot.is_plain


def test_a_declared_encoding_is_followed_unless_a_mark_proves_another(taken):
    polish = "vehicle_id,depot\nV1,Łódź"

    declared, lines = taken(polish.encode("cp1250"), encoding="cp1250")
    marked, marked_lines = taken(polish.encode("utf-8-sig"), encoding="cp1250")

    assert lines.decode() == marked_lines.decode() == polish
    assert (declared.encoding, marked.encoding) == ("cp1250", "utf-8")


@pytest.mark.parametrize(
    ("data", "declared", "spoilt"),
    [
        (b"a,b\nZ\x81rich,1\nx,2\n", "cp1252", "Z\\x81rich,1"),
        ("a,b\nZürich,1\nx,2\n".encode(), "ascii", "Z\\xc3\\xbcrich,1"),
        ("a,b\n\ud800,1\nx,2".encode("utf-16-le", "surrogatepass"), "utf-16-le", "1"),
        ("a,b\nx,2\ny,1".encode("utf-16")[:-1], "", "y,\\x31"),
    ],
)
def test_bytes_that_are_not_in_the_encoding_spoil_their_line(
    taken, data, declared, spoilt
):
    snapshot, lines = taken(data, encoding=declared)

    shape = Shape(width=2, max_cell_bytes=2**20)
    found = list(records(io.BytesIO(lines), Grammar(","), shape, 1))
    refused = [row for row in found if isinstance(row, Malformed)]
    assert not snapshot.is_plain
    assert len(found) == 3
    assert [row.reason for row in refused] == ["undecodable"]
    assert refused[0].raw.endswith(spoilt)


def test_a_declared_encoding_the_file_is_not_in_is_refused(taken):
    with pytest.raises(InputError, match="not in utf-16"):
        taken(TEXT.encode(), encoding="utf-16")


def test_a_nul_byte_keeps_the_engine_away(taken):
    snapshot, _ = taken(b"vehicle_id,depot\nV1,\0\n")

    assert not snapshot.is_plain


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"%PDF-1.7 ...", "a PDF"),
        (b"PAR1....", "a Parquet file"),
        (b"SQLite format 3\0", "a database"),
        (b"12345678DUCK", "a database"),
        (b"PK\x03\x04...", "a ZIP archive"),
        (b"\xd0\xcf\x11\xe0...", "an? .*workbook"),
        (gzip.compress(gzip.compress(b"a,b", mtime=0), mtime=0), "packed twice"),
    ],
)
def test_what_is_no_csv_file_is_refused_whole(taken, data, kind):
    with pytest.raises(InputError, match=kind):
        taken(data)


@pytest.mark.parametrize("cut", [5, 30])
def test_a_damaged_packed_file_is_refused_whole(taken, cut):
    with pytest.raises(InputError, match="damaged"):
        taken(gzip.compress(TEXT.encode())[:cut])


def test_a_file_that_unpacks_without_end_is_refused(taken, monkeypatch):
    monkeypatch.setattr(snapshots, "BOMB_FROM", 2**16)

    with pytest.raises(InputError, match="unpacks to over"):
        taken(gzip.compress(b"a,b\n" * 2**20))


def test_a_file_over_the_size_limit_is_refused(taken):
    with pytest.raises(InputError, match="more than 1,024 bytes"):
        taken(b"a,b\n" * 300, intake=Intake(max_file_bytes=1024))


@pytest.mark.parametrize("filling", [b"x", b"\n"])
def test_endless_bytes_without_a_record_are_refused(taken, monkeypatch, filling):
    monkeypatch.setattr(snapshots, "LONGEST_LINE", 2**20)

    with pytest.raises(InputError, match="without a record"):
        taken(b"a" + filling * 2**22 + b"b")


def test_a_pipe_is_refused_without_waiting(tmp_path):
    os.mkfifo(tmp_path / "vehicles.csv")
    source = Source(
        path=tmp_path / "vehicles.csv",
        file="vehicles.csv",
        table=input_table("vehicles"),
        mapping=FileMapping(name="*"),
    )

    with pytest.raises(PlaceError, match="a folder or a device"):
        take(source, tmp_path, Intake())


def test_a_file_that_grows_while_it_is_read_is_refused(taken, tmp_path, monkeypatch):
    original = snapshots._normalised

    def growing(*arguments):
        result = original(*arguments)
        with (tmp_path / "vehicles.csv").open("ab") as file:
            file.write(b"V9,late\n")
        return result

    monkeypatch.setattr(snapshots, "_normalised", growing)

    with pytest.raises(PlaceError, match="changed while it was read"):
        taken(TEXT.encode())


def test_a_workbook_under_the_name_of_a_csv_file_is_refused(taken, tmp_path):
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as archive:
        archive.writestr("a", "b")

    with pytest.raises(InputError, match="ZIP archive or workbook"):
        taken((tmp_path / "x.zip").read_bytes())
