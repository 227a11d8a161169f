# SPDX-License-Identifier: GPL-3.0-or-later
"""The JSON Schema of a file of jobs."""

from __future__ import annotations

from typing import Any

from leapwright.batch.tables import Jobs

__all__ = ["schema"]


def schema() -> dict[str, Any]:
    """The JSON Schema of a file of jobs, for editors."""
    made = Jobs.model_json_schema(by_alias=True, mode="validation")
    made["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    made["title"] = "Leapwright jobs"
    _plain(made)
    return made


def _plain(node: Any) -> None:
    """Without nulls, which TOML does not have, and without titles that repeat the key."""
    if isinstance(node, list):
        for item in node:
            _plain(item)
    if not isinstance(node, dict):
        return
    if isinstance(node.get("anyOf"), list):
        kinds = [kind for kind in node["anyOf"] if kind != {"type": "null"}]
        if len(kinds) == 1:
            del node["anyOf"]
            node |= {k: v for k, v in kinds[0].items() if k not in node}
        else:
            node["anyOf"] = kinds
    if "default" in node and node["default"] is None:
        del node["default"]
    for key in [k for k, v in node.items() if k == "title" and isinstance(v, str)]:
        if "properties" not in node:
            del node[key]
    for value in node.values():
        _plain(value)
