#!/usr/bin/env python3
"""text_to_c.py - texts as a C source: `const char *const NAME[]` in the order given, then NULL.

usage: text_to_c.py NAME OUT.c FILE...

Bytes, not a string literal: C promises only 4095 characters of one."""
import sys


def main() -> None:
    name, target, *files = sys.argv[1:]
    out = [f"extern const char *const {name}[];"]
    for i, path in enumerate(files):
        with open(path, "rb") as file:
            text = file.read()
        rows = (text[at:at + 24] for at in range(0, len(text), 24))
        body = "\n".join("    " + " ".join(f"{byte}," for byte in row) for row in rows)
        label = path.rsplit("/", 1)[-1]
        out.append(f"/* {label} */\nstatic const char TEXT_{i}[] = {{\n{body}\n    0,\n}};")
    names = ", ".join([f"TEXT_{i}" for i in range(len(files))] + ["0"])
    out.append(f"const char *const {name}[] = {{{names}}};")
    with open(target, "w", encoding="ascii") as file:
        file.write("\n".join(out) + "\n")


main()
