"""The shape that DEVELOPERS.md promises, read from the syntax trees."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
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
    "sounddevice": ({"meas/soundcard.py"}, True),
    "soundfile": ({"meas/recording.py", "meas/take.py"}, True),
    "lmfit": ({"fit/lmfit_front.py"}, True),
    "matplotlib": ({"cli/plots"}, True),
    "typer": ({"cli/"}, False),
    "rich": ({"cli/"}, False),
    "jinja2": ({"cli/"}, False),
}
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml",
    "meas", "fit", "cli", "tests", "fixtures",
}  # fmt: skip
LONGEST_FILE = 450


def name_of(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


def imports(file: Path) -> Iterator[tuple[str, bool, int]]:
    """Every imported module, whether it runs when the file is imported, and its line.

    ``from a import b`` yields ``a.b``: b may be a module. What stands under ``if TYPE_CHECKING``
    never runs.
    """
    tree = ast.parse(file.read_text(encoding="utf-8"))
    package = name_of(file).removesuffix(".py").split("/")[:-1]

    def walk(node: ast.AST, at_import: bool) -> Iterator[tuple[str, bool, int]]:
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, at_import, node.lineno
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*above, *([node.module] if node.module else [])])
            for alias in node.names:
                yield f"{module}.{alias.name}", at_import, node.lineno
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            for child in node.body:
                yield from walk(child, False)
            for child in node.orelse:
                yield from walk(child, at_import)
        else:
            inside = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
            for child in ast.iter_child_nodes(node):
                yield from walk(child, at_import and not inside)

    yield from walk(tree, True)


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
        for module, at_import, line in imports(file):
            if module.split(".")[0] != library:
                continue
            seen = True
            if not any(name == place or name.startswith(place) for place in places):
                wrong.append(f"{name}:{line} imports {module}")
            elif at_import and lazily:
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
        ("fit/x.py", "def f():\n    import meas.take", "meas.take"),
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
        at_once = {module.split(".")[0] for module, at_import, _ in imports(file) if at_import}
        assert at_once <= {"__future__", "typing"}, package


def test_tests_are_flat() -> None:
    """A package below tests/ would shadow one of ours of the same name."""
    assert all(file.parent == ROOT / "tests" for file in TESTS)
    assert not (ROOT / "tests" / "__init__.py").exists()


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
