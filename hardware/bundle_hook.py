"""Build hook: put the firmware and the circuit into the wheel, beside the host package that uses them.

An editable installation reads both from the source tree; only a wheel carries them. probecore is left out, because
it is installed as a package of its own: one copy serves the host and the virtual tester.
"""

from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

BUNDLE = "probeledger/bundle"
LEFT_OUT = {"probecore", "__pycache__"}


class BundleHook(BuildHookInterface):
    """Add `firmware/` (without probecore) and `hardware/tester.toml` to a standard wheel."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Extend the wheel's forced files unless it is an editable one."""
        if version == "editable":
            return
        root = Path(self.root)
        extra = build_data.setdefault("force_include", {})
        for entry in sorted((root / "firmware").iterdir()):
            if entry.name in LEFT_OUT:
                continue
            for path in [entry] if entry.is_file() else sorted(entry.rglob("*.py")):
                extra[str(path)] = f"{BUNDLE}/{path.relative_to(root)}"
        extra[str(root / "hardware" / "tester.toml")] = f"{BUNDLE}/hardware/tester.toml"
