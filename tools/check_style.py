#!/usr/bin/python3
"""Check what a script can check of the house style.

usage: check_style.py [TOP]      prints FILE:LINE: what is wrong; exit 1 when there is anything

Counts lines of functions, arguments, lines of files, columns, lines of a module's README; checks
that includes point downward only (the order of the modules is the one in meson.build), that each
file opens with a comment that names it, and that the library neither prints, exits, looks at the
clock, keeps the locale nor starts threads by itself. Expects the layout that clang-format gives.
"""
import pathlib
import re
import sys

FUNCTION_LINES = 60
ARGUMENTS = 7
FILE_LINES = 500
COLUMNS = 100
README_LINES = 15

problems: list[str] = []


def report(path: pathlib.Path, line: int, text: str) -> None:
    problems.append(f"{path.relative_to(top)}:{line}: {text}")


def blank_out(match: re.Match) -> str:
    """A comment or literal as blanks of the same shape, so that lines and columns stay."""
    return re.sub(r"[^\n]", " ", match.group(0))


def without_comments(text: str) -> str:
    pattern = r'/\*.*?\*/|//[^\n]*|"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\''
    return re.sub(pattern, blank_out, text, flags=re.S)


def count_arguments(parameters: str) -> int:
    depth, n = 0, 1
    for c in parameters:
        depth += (c in "([{") - (c in ")]}")
        n += c == "," and depth == 0
    return 0 if parameters.strip() in ("", "void") else n


def matching_bracket(text: str, start: int) -> int:
    depth = 0
    for i in range(start, len(text)):
        depth += (text[i] == "(") - (text[i] == ")")
        if depth == 0:
            return i
    return len(text)


# at the margin: a type or two, then the name and its bracket
FUNCTION = re.compile(r"^(?!typedef|return|else|#)[A-Za-z_][\w \*]*?[ \*](\w+)\(", re.M)


def check_functions(path: pathlib.Path, code: str) -> None:
    for match in FUNCTION.finditer(code):
        name, opening = match.group(1), match.end() - 1
        if name in ("__attribute__", "_Static_assert"):
            continue
        closing = matching_bracket(code, opening)
        first = code.count("\n", 0, match.start()) + 1
        n = count_arguments(code[opening + 1:closing])
        if n > ARGUMENTS:
            report(path, first, f"{name} takes {n} arguments, at most {ARGUMENTS}")
        if re.match(r"\s*\{", code[closing + 1:]):
            end = re.compile(r"^\}", re.M).search(code, closing)
            last = code.count("\n", 0, end.start()) + 1 if end else code.count("\n")
            if last - first + 1 > FUNCTION_LINES:
                report(path, first,
                       f"{name} has {last - first + 1} lines, at most {FUNCTION_LINES}")


def check_includes(path: pathlib.Path, text: str, modules: list[str]) -> None:
    """Arrows of a file in src/: down only, and only at public headers."""
    own = path.relative_to(top / "src").parts[0]
    rank = {name: i for i, name in enumerate(modules)}
    for number, line in enumerate(text.split("\n"), 1):
        match = re.match(r'#include "(\w+)/([\w.]+)"', line)
        if not match:
            continue
        other, header = match.groups()
        if other == own and not header.endswith("_internal.h"):
            continue
        if other not in rank and other != own:
            report(path, number, f"includes {other}/{header}, which is no module of meson.build")
        elif other != own and own in rank and rank[other] > rank[own]:
            report(path, number, f"{own} includes {other}, which stands above it in meson.build")
        elif other != own and header.endswith("_internal.h"):
            report(path, number, f"{header} is private to {other}")


LIBRARY_WITHOUT = [
    (r"\b(?:v?printf|puts|putchar|v?fprintf|fputs|perror)\(", "the library does not print"),
    (r"\b(?:exit|_exit|quick_exit|abort)\(", "the library does not end the program"),
    (r"\b(?:time|clock|clock_gettime|gettimeofday)\(", "the library does not look at the clock"),
    (r"\bsetlocale\(", "nothing depends on the locale"),
    (r"\bfork\(", "the library starts no process"),
    (r"^\s*static (?!const|inline|_Thread_local)(?![^=;]*\()[^=;]*(?:=|;)",
     "no mutable globals or statics"),
]


def check_library(path: pathlib.Path, code: str) -> None:
    for pattern, why in LIBRARY_WITHOUT:
        for match in re.finditer(pattern, code, re.M):
            if "const" in match.group(0).split("=")[0]:
                continue
            report(path, code.count("\n", 0, match.start()) + 1, why)
    if path.name != "parallel.c":
        for match in re.finditer(r"pthread_create\(|thrd_create\(|#pragma omp(?! simd)", code):
            report(path, code.count("\n", 0, match.start()) + 1,
                   "threads start in base/parallel.c only")


def check_lines(path: pathlib.Path, text: str) -> None:
    lines = text.split("\n")
    if len(lines) - 1 > FILE_LINES:
        report(path, len(lines) - 1, f"{len(lines) - 1} lines, at most {FILE_LINES}")
    if text and not text.endswith("\n"):
        report(path, len(lines), "no newline at the end")
    for number, line in enumerate(lines, 1):
        if len(line) > COLUMNS:
            report(path, number, f"{len(line)} columns, at most {COLUMNS}")
        if line != line.rstrip() or "\t" in line or "\r" in line:
            report(path, number, "tab, carriage return or blank at the end of the line")


def check_c(path: pathlib.Path, modules: list[str]) -> None:
    text = path.read_text(encoding="utf-8")
    if not text.startswith(f"/* {path.name} - "):
        report(path, 1, f'does not open with "/* {path.name} - what it is"')
    check_lines(path, text)
    code = without_comments(text)
    check_functions(path, code)
    if path.is_relative_to(top / "src"):
        check_includes(path, text, modules)
        if path.relative_to(top / "src").parts[0] != "cli":
            check_library(path, code)


def check_readme(folder: pathlib.Path) -> None:
    readme = folder / "README.md"
    lines = readme.read_text(encoding="utf-8").split("\n") if readme.exists() else []
    if not any(line.strip() for line in lines):
        report(readme, 1, "missing or empty: what is here, what is not, where to start")
    elif len(lines) - 1 > README_LINES:
        report(readme, len(lines) - 1, f"{len(lines) - 1} lines, at most {README_LINES}")


def main() -> int:
    build = (top / "meson.build").read_text(encoding="utf-8")
    order = re.search(r"^foreach module : \[(.*?)\]", build, re.M | re.S)
    modules = re.findall(r"'(\w+)'", order.group(1)) if order else []
    if not modules:
        report(top / "meson.build", 1, "no list of modules found")
    for folder in ("src", "tests", "examples"):
        for path in sorted((top / folder).rglob("*.[ch]")):
            check_c(path, modules)
    for folder in ("tools", "tests"):
        for path in sorted((top / folder).rglob("*.py")) + sorted((top / folder).rglob("*.sh")):
            check_lines(path, path.read_text(encoding="utf-8"))
    for module in modules:
        check_readme(top / "src" / module)
    print("\n".join(problems))
    return 1 if problems else 0


top = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else __file__).resolve()
top = top if top.is_dir() else top.parent.parent
sys.exit(main())
