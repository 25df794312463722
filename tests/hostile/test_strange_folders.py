"""Folders of simkit's: what --fresh removes, what is read back, what is never touched."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from sorts import SOUND
from stored import write_stored

from simkit import aside, exit_codes
from simkit.cli.main import main
from simkit.cli.working import clear
from simkit.errors import InputError
from simkit.files import Damaged, load_arrays, read_back, write_arrays, write_atomic
from simkit.folders import MARK, Changed, digests_of, mark, release
from simkit.record.folder import mine, take_folder
from simkit.record.read import read_run


@pytest.fixture(autouse=True)
def free() -> None:
    """No folder stays taken between tests."""
    release()


@pytest.fixture
def run(tmp_path: Path) -> Path:
    write_stored(tmp_path / "run", compared=False)
    return tmp_path / "run"


def refused(argv: list[str], words: str, capfd: pytest.CaptureFixture[str]) -> None:
    assert main(argv) == 2
    said = capfd.readouterr().err
    assert said.startswith("error: ")
    assert said.count("\n") == 1
    assert words in said


def test_fresh_removes_what_simkit_wrote_and_nothing_else(run: Path, tmp_path: Path) -> None:
    other = tmp_path / "precious"
    other.mkdir()
    (other / "0001_path.csv").write_text("keep")
    (run / "notes.txt").write_text("keep")
    (run / "fields" / "mine.npz").write_text("keep")
    os.rename(run / "steps", tmp_path / "moved")
    (run / "steps").symlink_to(other)
    (run / "run.json").unlink()
    (run / "run.json").symlink_to(other / "0001_path.csv")
    clear(run, fresh=True)
    kept = {str(p.relative_to(run)) for p in run.rglob("*")}
    assert kept == {MARK, "notes.txt", "fields", "fields/mine.npz", "steps", "run.json"}
    assert (other / "0001_path.csv").read_text() == "keep"


def test_fresh_needs_the_mark_and_follows_no_link(run: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(run)
    with pytest.raises(InputError, match="does not follow links"):
        clear(tmp_path / "link", fresh=True)
    (run / MARK).unlink()
    with pytest.raises(InputError, match="holds no run of simkit"):
        clear(run, fresh=True)
    assert (run / "run.json").exists()


def test_fresh_clears_the_runs_of_a_comparison(tmp_path: Path) -> None:
    write_stored(tmp_path / "both", compared=True)
    clear(tmp_path / "both", fresh=True)
    assert [p.name for p in (tmp_path / "both").rglob("*") if p.is_file()] == [MARK]


def test_the_folder_of_the_case_is_never_taken(tmp_path: Path,
                                               capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "case.yaml").write_text(SOUND)
    (tmp_path / "case.json").write_text("{}")
    for more in ([], ["--fresh"]):
        refused(["run", str(tmp_path), "--strategy", "crown-first", "--out", str(tmp_path), *more],
                "folder of the case", capfd)
    assert (tmp_path / "case.yaml").read_text() == SOUND


def test_a_list_cannot_name_files_outside(run: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside.txt"
    outside.write_text("keep")
    with (run / MARK).open("a") as stream:
        stream.write(f"{'0' * 64}  ../outside.txt\n{'0' * 64}  {outside}\nfolder  ..\n")
    clear(run, fresh=True)
    assert outside.read_text() == "keep"


@pytest.mark.parametrize("name", ["run.json", "steps.csv", "fields/0001.npz",
                                  "steps/0001_path.csv"])
def test_an_altered_record_is_named(run: Path, name: str, tmp_path: Path,
                                    capfd: pytest.CaptureFixture[str]) -> None:
    file = run / name
    data = file.read_bytes()
    file.write_bytes(data.replace(b"400", b"401").replace(b"0.1", b"0.2") + b"\n")
    refused(["show", str(run), "--out", str(tmp_path / "o")], name.split("/")[-1], capfd)
    assert not list((tmp_path / "o").glob("*.png"))


def test_a_record_of_another_run_is_not_taken(run: Path, tmp_path: Path) -> None:
    write_stored(tmp_path / "other", compared=False, seed=5)
    os.replace(tmp_path / "other" / "fields" / "0001.npz", run / "fields" / "0001.npz")
    with pytest.raises(InputError, match="altered or damaged"):
        read_run(run)


@pytest.mark.parametrize("inner", ["", "old"])
def test_a_run_without_a_list_stays_readable_where_an_export_lies_beside_it(
        inner: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    shared = tmp_path / "shared"
    old = shared / inner
    write_stored(old, compared=False)
    (old / MARK).unlink()
    write_stored(tmp_path / "new", compared=False)
    assert main(["export", str(tmp_path / "new"), "npz", "--out", str(shared)]) == 0
    release()
    assert len(read_run(old).steps) == 3
    assert main(["show", str(old), "--out", str(tmp_path / "pictures")]) == 0
    assert "changes in it cannot be detected" in capfd.readouterr().out
    release()
    with pytest.raises(InputError, match="something else"):
        mine(old)
    exported = next(shared.glob("*.npz"))
    exported.write_text("altered")
    with pytest.raises(Damaged, match="altered"):
        read_back(exported)


def test_before_and_after_a_write_are_both_as_written(tmp_path: Path) -> None:
    """A kill may fall between the note in the list and the file's move to its place."""
    mine(tmp_path / "f")
    file = tmp_path / "f" / "table.csv"
    for text in (b"one", b"two", b"three"):
        write_atomic(file, text)
    assert read_back(file) == b"three"
    file.write_bytes(b"two")
    assert read_back(file) == b"two"
    file.write_bytes(b"one")
    with pytest.raises(Damaged):
        read_back(file)


def test_a_torn_last_line_of_the_list_is_no_harm(run: Path) -> None:
    with (run / MARK).open("a") as stream:
        stream.write("0123456789abc")
    mark(run)
    write_atomic(run / "more.txt", b"more")
    release()
    assert "more.txt" in (digests_of(run) or {})
    assert read_run(run).last == 2


def test_a_folder_removed_meanwhile_is_not_made_again(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    mine(folder)
    write_atomic(folder / "a.txt", b"a")
    (folder / "a.txt").unlink()
    (folder / MARK).unlink()
    folder.rmdir()
    with pytest.raises(Changed, match="removed or replaced"):
        write_atomic(folder / "b.txt", b"b")
    assert not folder.exists()


def test_a_link_put_in_is_not_written_through(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    mine(tmp_path / "out")
    (tmp_path / "out" / "fields").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(Changed, match="link"):
        write_atomic(tmp_path / "out" / "fields" / "0000.npz", b"x")
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_what_a_killed_writer_left_goes(run: Path) -> None:
    part = run / "fields" / ".0001.npz.12345.part"
    part.write_bytes(b"half")
    own = run / "fields" / ".own.part"
    own.write_bytes(b"mine")
    mine(run)
    assert not part.exists()
    assert own.exists()


def test_reading_again_keeps_a_case_that_was_filled_in(tmp_path: Path) -> None:
    folder = tmp_path / "reading"
    take_folder(folder)
    write_atomic(folder / "case.yaml", b"to start from")
    take_folder(folder, ("case.yaml",))
    (folder / "case.yaml").write_text("filled in")
    with pytest.raises(InputError, match="would be overwritten"):
        take_folder(folder, ("case.yaml",))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "case.yaml").write_text("all my own")
    with pytest.raises(InputError, match="would be overwritten"):
        take_folder(tmp_path / "mine", ("case.yaml",))


def test_packed_and_lying_archives_are_not_unpacked(tmp_path: Path) -> None:
    np = pytest.importorskip("numpy")
    with open(tmp_path / "packed.npz", "wb") as stream:
        np.savez_compressed(stream, x=np.zeros(10_000_000))
    with pytest.raises(Damaged, match="packed"):
        load_arrays((tmp_path / "packed.npz").read_bytes(), ("x",))
    write_arrays(tmp_path / "sound.npz", {"x": np.arange(9.0)})
    sound = (tmp_path / "sound.npz").read_bytes()
    assert load_arrays(sound, ("x",))["x"].tolist() == list(range(9))
    assert b"(9,)" in sound
    for lie in (b"(8,)", b"(-9)"):
        with pytest.raises(Damaged):
            load_arrays(sound.replace(b"(9,)", lie), ("x",))


def test_the_page_and_the_help_tell_the_same_exit_codes() -> None:
    page = (Path(__file__).parents[2] / "docs" / "run-folders.md").read_text("utf-8")
    for code, meaning in exit_codes.MEANINGS.items():
        assert f"| {code} | " in page, meaning
        assert f"{code}  {meaning}" in exit_codes.table()


def test_kernels_kept_elsewhere_belong_to_these_sources(
        monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An installation that cannot be written keeps kernels in the user's cache, one a version."""
    monkeypatch.setattr(aside, "PACKAGE", str(tmp_path / "simkit"))
    monkeypatch.setattr(aside, "_writable", lambda folder: "kernels-" in folder)
    monkeypatch.setattr(aside, "kernels_said", [])
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    places = []
    for text in ("a = 1", "a = 12"):
        (tmp_path / "simkit").mkdir(exist_ok=True)
        (tmp_path / "simkit" / "kernel.py").write_text(text)
        monkeypatch.setenv("NUMBA_CACHE_DIR", "")
        aside._choose_cache()
        places.append(os.environ["NUMBA_CACHE_DIR"])
    assert places[0] != places[1]
    assert all(place.startswith(str(tmp_path / "cache" / "simkit" / "kernels-"))
               for place in places)
    assert "cannot be written" in aside.kernels_said[0]
