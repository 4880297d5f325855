"""The shape that DEVELOPERS.md promises, read from the syntax trees."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections.abc import Callable, Iterable, Iterator
from importlib import import_module
from itertools import pairwise
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("meas", "fit", "cli")
SOURCES = sorted(file for package in PACKAGES for file in (ROOT / package).rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))

# What each package may import of ours: a package means all of its modules.
ALLOWED = {
    "meas": {"meas"},
    "fit": {"fit", "meas.curve", "meas.errors"},
    "cli": {"cli", "fit", "meas"},
}
# Library: where it may be imported, and whether only inside functions.
FENCES = {
    "sounddevice": ({"meas/audio/soundcard.py"}, True),
    "soundfile": ({"meas/audio/recording.py", "meas/takes/take.py"}, True),
    "lmfit": ({"fit/lmfit_front.py"}, True),
    "matplotlib": (
        {
            "cli/pictures/",
            "cli/report/paper.py",
            "cli/rig/choice_picture.py",
            "cli/series/picture.py",
            "cli/refit/pictures.py",
        },
        True,
    ),
    "typer": ({"cli/"}, False),
    "rich": ({"cli/"}, False),
    "jinja2": ({"cli/"}, False),
    "starlette": ({"cli/window/"}, False),
    "uvicorn": ({"cli/window/serving.py"}, True),
    "segno": ({"cli/window/"}, True),
}
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml",
    "meas", "fit", "cli", "tests", "fixtures",
}  # fmt: skip
LONGEST_FILE = 450
MOST_FILES = 13


def name_of(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


def imports(file: Path) -> Iterator[tuple[str, str, int]]:
    """Every imported module, when it is imported, and its line.

    That is ``at once`` with the file, ``when called``, or ``for types`` (under ``if
    TYPE_CHECKING``: never). ``from a import b`` yields ``a.b``: b may be a module.
    """
    tree = ast.parse(file.read_text(encoding="utf-8"))
    package = name_of(file).removesuffix(".py").split("/")[:-1]

    def walk(node: ast.AST, when: str) -> Iterator[tuple[str, str, int]]:
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, when, node.lineno
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*above, *([node.module] if node.module else [])])
            for alias in node.names:
                yield f"{module}.{alias.name}", when, node.lineno
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            for child in node.body:
                yield from walk(child, "for types")
            for child in node.orelse:
                yield from walk(child, when)
        else:
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
                when = "when called"
            for child in ast.iter_child_nodes(node):
                yield from walk(child, when)

    yield from walk(tree, "at once")


def within(module: str, allowed: set[str]) -> bool:
    return any(module == one or module.startswith(f"{one}.") for one in allowed)


def test_there_is_something_to_check() -> None:
    for package in PACKAGES:
        assert any(name_of(file).startswith(f"{package}/") for file in SOURCES)


def test_imports_flow_one_way() -> None:
    wrong = [
        f"{name_of(file)}:{line} imports {module}"
        for file in SOURCES
        for module, _, line in imports(file)
        if module.split(".")[0] in (*PACKAGES, "tests", "fixtures")
        if not within(module, ALLOWED[name_of(file).split("/")[0]])
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("library", FENCES)
def test_library_stays_behind_its_fence(library: str) -> None:
    places, lazily = FENCES[library]
    wrong = []
    seen = False
    for file in SOURCES:
        name = name_of(file)
        for module, when, line in imports(file):
            if module.split(".")[0] != library:
                continue
            seen = True
            if not any(name == place or name.startswith(place) for place in places):
                wrong.append(f"{name}:{line} imports {module}")
            elif when == "at once" and lazily:
                wrong.append(f"{name}:{line} imports {module} outside a function")
    assert not wrong, "\n".join(wrong)
    assert seen, f"nothing imports {library}: has its fence moved?"


def test_guide_states_the_fences() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for library in ("sounddevice", "soundfile", "lmfit", "matplotlib", "typer"):
        row = re.search(rf"^\| {library} \| (.*) \|$", guide, re.MULTILINE)
        assert row, library
        for place in FENCES[library][0]:
            assert place in row[1], (library, place)


@pytest.mark.parametrize(
    ("name", "text", "found"),
    [
        ("fit/x.py", "from meas import rig", "meas.rig"),
        ("fit/x.py", "def f():\n    import meas.takes.take", "meas.takes.take"),
        ("meas/x.py", "from ..fit import joint", "fit.joint"),
        ("meas/x.py", "from fit.joint import fit_driver", "fit.joint.fit_driver"),
    ],
)
def test_the_walk_sees_every_form(
    name: str, text: str, found: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The check can fail: each forbidden form is seen, and counted as forbidden."""
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    file = tmp_path / name
    file.parent.mkdir()
    file.write_text(text)
    modules = [module for module, _, _ in imports(file)]
    assert modules == [found]
    assert not within(found, ALLOWED[name.split("/")[0]])


@pytest.mark.parametrize("file", SOURCES, ids=name_of)
def test_file_has_a_reasonable_length(file: Path) -> None:
    length = len(file.read_text(encoding="utf-8").splitlines())
    assert length <= LONGEST_FILE, "look for the seam"


def tracked_files() -> list[str]:
    """Files under version control, or all files of a source archive without it."""
    if (ROOT / ".git").exists():
        # safe.directory: a checkout may belong to another user than the one who tests.
        command = ["git", "-c", f"safe.directory={ROOT}", "ls-files", "-z"]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
        return [name for name in done.stdout.split("\0") if name and (ROOT / name).exists()]
    return [name_of(path) for path in ROOT.rglob("*") if path.is_file()]


def test_only_agreed_names_at_the_top() -> None:
    top = {name.split("/")[0] for name in tracked_files()}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


def test_wheel_holds_three_packages_only() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel == {"packages": list(PACKAGES)}
    assert project["project"]["scripts"] == {"freeair": "cli.main:main"}


def test_packages_cost_nothing_when_imported() -> None:
    """``__init__`` files name what is public and import it when it is asked for."""
    for package in PACKAGES:
        file = ROOT / package / "__init__.py"
        assert ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))), package
        at_once = {module.split(".")[0] for module, when, _ in imports(file) if when == "at once"}
        assert at_once <= {"__future__", "typing"}, package


def as_module(module: str) -> str:
    """The file of a module, or of the module in which something is named."""
    path = ROOT.joinpath(*module.split("."))
    while not (path.is_dir() or path.with_suffix(".py").is_file()):
        path = path.parent
    return name_of(path / "__init__" if path.is_dir() else path)


def as_folder(module: str) -> str:
    """The folder in which a module lies; the door of a package stands for itself."""
    place = as_module(module)
    return place if place.endswith("__init__") else place.rpartition("/")[0]


def cycle_of(arrows: Iterable[tuple[str, str]]) -> list[str]:
    """A shortest way from some place back to it, along arrows; empty where there is none."""
    onward: dict[str, list[str]] = {}
    for source, target in sorted(arrows):
        onward.setdefault(source, []).append(target)
    circles = []
    for start in onward:
        ways, seen = [[start]], set()
        while ways:
            way = ways.pop(0)
            targets = onward.get(way[-1], [])
            if start in targets:
                circles.append([*way, start])
                break
            ways += [[*way, target] for target in targets if target not in seen]
            seen.update(targets)
    return min(circles, key=len, default=[])


def arrows_between(place_of: Callable[[str], str], *but: str) -> dict[tuple[str, str], str]:
    """From which place to which other one anything is imported, with a line that does it."""
    arrows: dict[tuple[str, str], str] = {}
    for file in SOURCES:
        source = place_of(name_of(file).removesuffix(".py").replace("/", "."))
        for module, when, line in imports(file):
            if module.split(".")[0] in PACKAGES and when not in but:
                pair = source, place_of(module)
                arrows.setdefault(pair, f"{name_of(file)}:{line} imports {module} {when}")
    return {pair: told for pair, told in arrows.items() if pair[0] != pair[1]}


@pytest.mark.parametrize(
    ("place_of", "but"), [(as_folder, ()), (as_module, ("for types",))], ids=["folders", "files"]
)
def test_no_circle_of_imports(place_of: Callable[[str], str], but: tuple[str, ...]) -> None:
    """Who reads a file reads what it imports, lazily too; of folders even what is only a type."""
    arrows = arrows_between(place_of, *but)
    circle = cycle_of(arrows)
    told = [arrows[pair] for pair in pairwise(circle)]
    assert not circle, " -> ".join(circle) + "\n" + "\n".join(told)


def test_the_shortest_circle_is_found() -> None:
    arrows = {("a", "b"), ("b", "c"), ("c", "d"), ("d", "a"), ("d", "e"), ("e", "d"), ("f", "a")}
    assert cycle_of(arrows) == ["d", "e", "d"]
    assert cycle_of(arrows - {("e", "d")}) == ["a", "b", "c", "d", "a"]
    assert cycle_of(arrows - {("e", "d"), ("d", "a")}) == []


FOLDERS = sorted({file.parent for file in [*SOURCES, *TESTS]})


@pytest.mark.parametrize("folder", FOLDERS, ids=name_of)
def test_a_folder_can_be_taken_in_at_a_glance(folder: Path) -> None:
    files = [file for file in folder.glob("*.py") if file.name != "__init__.py"]
    assert len(files) <= MOST_FILES, "look for the seam"


@pytest.mark.parametrize("folder", sorted({file.parent for file in SOURCES}), ids=name_of)
def test_a_folder_says_its_purpose_in_one_sentence(folder: Path) -> None:
    tree = ast.parse((folder / "__init__.py").read_text(encoding="utf-8"))
    said = ast.get_docstring(tree) or ""
    assert re.fullmatch(r"[A-Z`][^.]*(?:\.\w[^.]*)*\.", said.replace("\n", " ")), said
    if folder.parent != ROOT:
        assert len(tree.body) == 1, "a subpackage holds nothing but its sentence"


def test_folders_of_tests_shadow_no_package() -> None:
    """A package below tests/ would take the place of one of ours of the same name."""
    assert not list((ROOT / "tests").rglob("__init__.py"))
    folders = {path.name for path in (ROOT / "tests").rglob("*") if path.is_dir()}
    assert not folders & set(PACKAGES)


def test_no_path_of_a_particular_machine() -> None:
    """No absolute path into somebody's home or scratch space in any text under version control."""
    pattern = re.compile(r"(?<![\w.<~}])/(?:home|root|work|tmp|Users)/[\w.]")
    wrong = []
    for name in tracked_files():
        try:
            lines = (ROOT / name).read_text(encoding="utf-8").splitlines()
        except UnicodeDecodeError:
            continue
        wrong += [
            f"{name}:{number}: {line.strip()}"
            for number, line in enumerate(lines, 1)
            if pattern.search(line) and not line.lstrip().startswith("pattern = ")
        ]
    assert not wrong, "\n".join(wrong)


def test_every_fixture_has_its_origin_and_licence() -> None:
    """One row of fixtures/README.md for each folder that holds files, with nothing left empty."""
    fixtures = ROOT / "fixtures"
    readme = (fixtures / "README.md").read_text(encoding="utf-8").split("## Made")[0]
    rows = re.findall(r"^\| `([^`]+)` \|(.*)\|$", readme, re.MULTILINE)
    folders = {name.rpartition("/")[0] for name in tracked_files() if name.startswith("fixtures/")}
    folders.discard("fixtures")
    assert {f"fixtures/{name.rstrip('/')}" for name, _ in rows} == folders
    for name, cells in rows:
        assert all(cell.strip() for cell in cells.split("|")), name


def test_guide_maps_every_folder_in_the_folders_own_words() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(guide) <= 8000, "a page: details belong to the README of a folder"
    folders = sorted({file.parent for file in SOURCES if file.parent.parent != ROOT})
    for folder in folders:
        if folder.name not in PACKAGES:
            said = ast.get_docstring(
                ast.parse((folder / "__init__.py").read_text(encoding="utf-8"))
            )
            row = f"| `{name_of(folder)}` | {' '.join((said or '').split())} |"
            assert row in guide, row


def test_every_import_of_ours_leads_somewhere() -> None:
    """Lazy ones too: a name that has moved is found here, not by whoever calls the command."""
    wrong = []
    for file in [*SOURCES, *TESTS]:
        for module, _, line in imports(file):
            if module.split(".")[0] not in PACKAGES:
                continue
            place = ROOT.joinpath(*module.split("."))
            if place.is_dir() or place.with_suffix(".py").is_file():
                continue
            home, _, name = module.rpartition(".")
            try:
                if hasattr(import_module(home), name):
                    continue
            except ImportError:
                pass
            wrong.append(f"{name_of(file)}:{line} imports {module}")
    assert not wrong, "\n".join(wrong)
