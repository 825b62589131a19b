"""Print the lowest version stated in pyproject.toml of each library that the tool runs with, as constraints for pip."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path


def lowest_versions(pyproject: str) -> list[str]:
    """Lines `name==version` of the dependencies and of the extras but the one for tests."""
    project = tomllib.loads(pyproject)["project"]
    extras = {name: wanted for name, wanted in project["optional-dependencies"].items() if name != "test"}
    wanted = [*project["dependencies"], *(one for some in extras.values() for one in some)]
    return [re.sub(">=", "==", one) for one in wanted]


if __name__ == "__main__":
    print("\n".join(lowest_versions((Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8"))))
