"""The house rules that a machine can check: order of the rooms, heads, docstrings, what must never be written."""

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("monitor", "models", "simulator")
MODULES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))
EXTRAS = ("demo", "plots")  # of the program itself
IDS = [str(path.relative_to(ROOT)) for path in MODULES]


def kept_files() -> list[Path]:
    """What git keeps or would keep; in an unpacked archive, all but what builds and tests leave behind."""
    if (ROOT / ".git").exists():
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=ROOT,
            capture_output=True,
            check=True,
        )
        names = listed.stdout.decode().split("\0")
    else:
        folders = [
            path for path in ROOT.iterdir() if path.is_dir() and not path.name.startswith((".", "build", "dist"))
        ]
        found = [path for folder in folders for path in folder.rglob("*") if "__pycache__" not in path.parts]
        names = [str(path.relative_to(ROOT)) for path in (*found, *ROOT.glob("*.*")) if ".egg-info" not in str(path)]
    return [ROOT / name for name in names if name and (ROOT / name).is_file()]


def text_of(path: Path) -> str:
    """A file's text; binary files give none."""
    content = path.read_bytes()
    return "" if b"\0" in content else content.decode("utf-8")


def functions_of(tree: ast.Module) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def test_imports_run_one_way():
    """The contracts in pyproject.toml; a new module has to be given its place there."""
    program = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([program, "--no-cache", "--no-logo"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_a_module_says_what_happens_there(path: Path):
    """A head: what happens here, what comes in, what goes out, what it touches. Package marks may be bare."""
    if path.name == "__init__.py" and not path.read_text("utf-8").strip():
        return
    head = ast.get_docstring(ast.parse(path.read_text("utf-8")))
    assert head, "no head"
    assert re.match(r".{10,118}[.:]?$", head.splitlines()[0]), f"no first sentence: {head.splitlines()[0]}"


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_docstrings_name_arguments_that_exist(path: Path):
    """Args of a docstring stand in the signature. Relatives may share a line: 'from_ns, to_ns: the span.'"""
    for function in functions_of(ast.parse(path.read_text("utf-8"))):
        docstring = ast.get_docstring(function) or ""
        section = re.search(r"^Args:\n((?: +.*\n?|\n)*)", docstring + "\n", re.MULTILINE)
        if section is None:
            continue
        arguments = function.args
        given = {one.arg for one in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs)}
        given |= {one.arg for one in (arguments.vararg, arguments.kwarg) if one is not None}
        for names in re.findall(r"^ {4}([a-z_][a-z0-9_, ]*):(?: |$)", section[1], re.MULTILINE):
            for name in names.split(", "):
                assert name in given, f"{path.name}:{function.lineno} {function.name} has no argument {name}"


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_every_ignored_complaint_says_which(path: Path):
    """`type: ignore` and `noqa` without a code silence what nobody has looked at."""
    text = path.read_text("utf-8")
    assert not re.search(r"#\s*type:\s*ignore(?!\[)", text)
    assert not re.search(r"#\s*noqa(?!: [A-Z]+\d+)", text, re.IGNORECASE)


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_nothing_that_runs_on_loading_is_loaded(path: Path):
    """A pickle or joblib file is a program; models come as plain arrays that are checked on reading."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        elif isinstance(node, ast.keyword) and node.arg == "allow_pickle":
            assert isinstance(node.value, ast.Constant), f"line {node.value.lineno}: allow_pickle is not said outright"
            assert node.value.value is False, f"line {node.value.lineno}: allow_pickle"
        for name in names:
            assert name.partition(".")[0] not in {"pickle", "cPickle", "dill", "joblib", "shelve", "marshal"}


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_numpy_files_are_read_without_pickle(path: Path):
    """np.load without allow_pickle refuses by default; that it is said keeps the next edit from forgetting it."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and node.func.attr == "load"
            and isinstance(node.func.value, ast.Name)
            and node.func.value.id in {"np", "numpy"}
        ):
            assert any(keyword.arg == "allow_pickle" for keyword in node.keywords), f"line {node.lineno}"


# Built from parts, so that this file does not hold what it looks for.
MACHINE_PATHS = re.compile(
    "|".join(("/" + "work/", "/" + "root/", "/" + "home/[a-z]", "/" + "Users/[a-z]", "C:" + r"\\"))
)
REGISTRY_HOSTS = re.compile(
    "|".join((r"pypi" + r"\.org", "python" + r"hosted\.org", "index" + r"-url\s*=\s*\S", r"registry\.np" + "m"))
)


def test_no_path_of_one_machine_and_no_package_index_is_kept():
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}"
        for path in kept_files()
        if path.suffix not in {".js", ".ico", ".png"}
        for number, line in enumerate(text_of(path).splitlines(), start=1)
        if MACHINE_PATHS.search(line) or REGISTRY_HOSTS.search(line)
    ]
    assert found == []


def test_nothing_is_put_off():
    """What is to be done stands in an issue, not in the code, where nobody looks for it."""
    marks = re.compile(r"#.*\b(" + "TO" + "DO|FIX" + "ME|XX" + "X|HA" + r"CK)\b")
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in kept_files()
        if path.suffix in {".py", ".sh", ".toml"}
        for number, line in enumerate(text_of(path).splitlines(), start=1)
        if marks.search(line)
    ]
    assert found == []


def test_no_test_sleeps():
    """Event time, or waiting for a condition with a deadline (tests/waiting.py), never for a time to pass."""
    found = []
    for path in sorted((ROOT / "tests").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call):
                name = ast.unparse(node.func)
                if name in {"time.sleep", "sleep", "asyncio.sleep"}:
                    found.append(f"{path.relative_to(ROOT)}:{node.lineno}")
    assert found == []


def test_constraints_are_names_and_versions_and_nothing_else():
    lines = (ROOT / "deploy" / "constraints.txt").read_text().splitlines()
    assert len(lines) > 50
    assert [line for line in lines if not re.fullmatch(r"[a-z0-9._-]+==[a-z0-9.]+", line)] == []


def test_every_package_that_is_imported_is_asked_for_by_name():
    """What comes only because another package needs it may go with that package's next version."""
    asked_for = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    named = {
        re.split(r"[<>=\[]", wish)[0].lower()
        for wishes in (asked_for["dependencies"], *(asked_for["optional-dependencies"][name] for name in EXTRAS))
        for wish in wishes
    }
    distributions = packages_distributions()
    missing = set()
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            modules = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            modules += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for module in modules:
                top = module.partition(".")[0]
                if top in sys.stdlib_module_names or top in PACKAGES or top == "_typeshed":  # the type checker's own
                    continue
                if not named & {name.lower().replace("_", "-") for name in distributions.get(top, ())}:
                    missing.add(top)
    assert missing == set()
