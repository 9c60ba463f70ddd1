import gzip
import io
import zipfile
import zlib

import pytest

from flows.intake.readers import delimited, packed
from flows.intake.readers.by_format import reader_of
from flows.intake.readers.chunk import Content, Unreadable
from tests.flows.intake.readers.reading import READ, chunks, faults, layout, rows, zipped

PLAIN = b"t,T,R\n2020-06-01 00:00,1.5,0.2\n2020-06-01 01:00,-2,0\n"
LATER = b"t,R,T\n2020-06-01 02:00,0,3\nbroken\n"


@pytest.mark.parametrize("block", [1, 7, 1 << 20])
def test_gzip_reads_as_if_plain(block):
    assert rows(gzip.compress(PLAIN), layout(), block=block) == READ


def test_two_gzip_members_and_padding():
    head, tail = PLAIN[:40], PLAIN[40:]
    data = gzip.compress(head) + gzip.compress(tail) + b"\0" * 512
    assert rows(data, layout(), block=10) == READ


def test_half_a_gzip_gives_what_came_and_says_so():
    data = gzip.compress(PLAIN * 1, compresslevel=0)
    with pytest.raises(Unreadable, match="damaged archive"):
        rows(data[:-12], layout())


def test_gzip_that_was_appended_to_is_read_from_its_start():
    first, second = gzip.compress(PLAIN[:40]), gzip.compress(PLAIN[40:])
    cut = 20  # wherever a line end among the packed bytes happens to be
    before = first[:cut] + b"\n"
    data = (first + second).replace(first[:cut], before, 1)
    with pytest.raises(Unreadable):  # the byte that was put in damages it
        rows(data[len(before) :], layout(), before=before)
    content = Content("f", 1, lambda: iter([first]), lambda: iter([second]))
    found = [c.frame for c in reader_of(layout())(content, layout())]
    assert sum(frame.height for frame in found) == 2


def test_several_files_in_one_zip_each_under_its_own_heading():
    data = zipped({"b.csv": LATER, "a.csv": PLAIN, "__MACOSX/a.csv": b"junk"})
    assert rows(data, layout()) == [*READ, ("2020-06-01 02:00", 3.0, 0.0)]
    found = chunks(data, layout())
    assert [chunk.member for chunk in found] == ["a.csv", "b.csv"]
    lines = [n for chunk in found for n in (*chunk.frame["line"], *chunk.faults["line"])]
    assert len(set(lines)) == len(lines) == 4
    (fault,) = faults(data, layout())
    assert found[1].raw(fault[0]) == "broken"


def test_members_choose_files():
    data = zipped({"x/readme.txt": b"hello", "x/a.csv": PLAIN})
    assert rows(data, layout(members="*.csv")) == READ
    with pytest.raises(Unreadable, match="no such file"):
        rows(data, layout(members="*.dat"))


def test_a_bad_file_in_a_zip_does_not_stop_the_good_ones():
    data = zipped({"a.csv": b"x,y\n1,2\n", "b.csv": PLAIN})
    got = []
    with pytest.raises(Unreadable, match=r"a\.csv"):
        for chunk in packed.read(*_content(data), _delimited):
            got.append(chunk.frame.height)
    assert sum(got) == 2


def _content(data):
    return Content("f", 0, lambda: iter(()), lambda: iter([data])), layout()


def _delimited(content, rule):
    return delimited.read(content, rule)


def test_bombs_are_refused_early(monkeypatch):
    monkeypatch.setattr(packed, "FREE_BYTES", 1 << 16)
    line = b"2020-06-01 00:00,1.5,0.2\n"
    bomb = b"t,T,R\n" + line * 200_000
    for data in (gzip.compress(bomb), zipped({"a.csv": bomb})):
        assert len(data) * 50 < len(bomb)
        with pytest.raises(Unreadable, match="unpacks to too much"):
            monkeypatch.setattr(packed, "MOST_RATIO", 50)
            chunks(data, layout())


def test_the_ratio_of_ordinary_text_is_far_from_the_limit():
    text = "".join(f"2020-06-{d:02d} {h:02d}:00,1.5,0.0\n" for d in range(1, 31) for h in range(24))
    ratio = len(text) / len(zlib.compress(text.encode(), 9))
    assert ratio < packed.MOST_RATIO / 4


@pytest.mark.parametrize(
    "data",
    [b"PK\x03\x04" + b"\0" * 40, b"\x1f\x8b" + b"\xff" * 40, zipped({})],
    ids=["zip", "gzip", "empty"],
)
def test_damaged_archives_are_refused_in_words(data):
    with pytest.raises(Unreadable, match=r"damaged archive|no such file"):
        chunks(data, layout())


def test_an_archive_in_an_archive_is_not_opened():
    with pytest.raises(Unreadable, match="an archive in an archive"):
        chunks(zipped({"a.zip": zipped({"a.csv": PLAIN})}), layout())


def test_a_zip_whose_directory_points_nowhere_is_refused_in_words():
    whole = zipped({"a.csv": PLAIN})
    at = whole.index(b"PK\x01\x02")
    lost = whole[:10] + whole[at - 4 :]  # a piece is lost: the file lies before the first byte
    wild = whole[: at + 42] + b"\xff\xff\xff\x81" + whole[at + 46 :]
    for data in (lost, wild):
        with pytest.raises(Unreadable, match="damaged archive"):
            rows(data, layout())


def test_a_packing_that_is_not_read_is_said():
    out = io.BytesIO()
    lzma = pytest.importorskip("lzma")
    assert lzma
    with zipfile.ZipFile(out, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("a.csv", PLAIN)
    with pytest.raises(Unreadable, match="another packing"):
        rows(out.getvalue(), layout())


def test_a_disk_that_fails_is_no_damage_of_the_file(monkeypatch):
    data = zipped({"a.csv": PLAIN})

    def fails(*_args, **_how):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(zipfile.ZipFile, "open", fails)
    with pytest.raises(OSError, match="Input/output"):
        rows(data, layout())
