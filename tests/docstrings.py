"""Check the public docstrings of both packages with numpydoc; a plain script for `.ci/run`."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import sys

from numpydoc.validate import validate

import perioview

# Parameters must be listed, in order, and no section may be malformed; wording is left to people.
CHECKED = {"GL08", "PR01", "PR02", "PR03", "SS03", "GL06", "GL07"}


def modules():
    yield "perioview"
    for found in pkgutil.walk_packages(perioview.__path__, "perioview."):
        if not found.name.endswith("__main__") and ".sample_images" not in found.name:
            yield found.name


def faults(name):
    module = importlib.import_module(name)
    for member, value in vars(module).items():
        if member.startswith("_") or getattr(value, "__module__", None) != name:
            continue
        if not (inspect.isfunction(value) or inspect.isclass(value)):
            continue
        if not inspect.getdoc(value):
            yield f"{name}.{member}: no docstring"
            continue
        doc = inspect.getdoc(value) or ""
        for code, said in validate(f"{name}.{member}")["errors"]:
            # A one-line docstring is enough where the signature says it all; a dataclass may
            # leave out the fields whose name and unit say it all.
            spare = code == "PR01" and (inspect.isclass(value) or "Parameters" not in doc)
            if code in CHECKED and not spare:
                yield f"{name}.{member}: {code} {said}"


def main():
    found = [fault for name in modules() for fault in faults(name)]
    print(*found, sep="\n")
    print(f"docstrings: {len(found)} faults")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
