"""Build hooks: the version is the last git tag; a wheel carries ``params/``, the dashboard's page, and its version."""

import runpy
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface
from hatchling.metadata.plugin.interface import MetadataHookInterface

INTO_WHEEL = {"params": "_params", "app.py": "_app/app.py", ".streamlit/config.toml": "_app/.streamlit/config.toml"}


def package(root: str) -> dict[str, Any]:
    """Names of ``econmodel/package.py``, read by its path: the package is not installed yet."""
    return runpy.run_path(str(Path(root, "econmodel", "package.py")))


def identity(root: str) -> tuple[str, str]:
    """Version and commit of the tree that is built."""
    return package(root)["identity"](Path(root, "econmodel"))


class Version(MetadataHookInterface):
    """The distribution's version."""

    def update(self, metadata: dict[str, Any]) -> None:
        """Set it from the last tag."""
        metadata["version"] = package(self.root)["distribution_version"](identity(self.root)[0])


class Contents(BuildHookInterface):
    """What a built package holds beside the code; an editable one finds it at the top of the checkout."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Lay it in, and nothing into the tree that is built."""
        if version == "editable":
            return
        wheel = self.target_name == "wheel"
        extra = {str(Path(self.root, name)): f"econmodel/{place}" for name, place in INTO_WHEEL.items() if wheel}
        if not Path(self.root, "econmodel", "_version.py").exists():
            tag, commit = identity(self.root)
            self.folder = tempfile.TemporaryDirectory()
            written = Path(self.folder.name, "_version.py")
            written.write_text(f'"""Written by the build."""\n\nVERSION = "{tag}"\nCOMMIT = "{commit}"\n', encoding="utf-8")
            extra[str(written)] = "econmodel/_version.py"
        build_data["force_include"].update(extra)
