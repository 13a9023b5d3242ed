"""The API's documentation, made from its own OpenAPI description without any foreign script."""

from __future__ import annotations

import json
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from kb.model import RECORD_TYPES
from kb.web.rendering import render

router = APIRouter()


@router.get("/api/docs")
def api_docs(request: Request) -> Response:
    """Every call with its parameters, its body and its answers."""
    description = request.app.openapi()
    calls = [
        _call(path, method, operation)
        for path, methods in description["paths"].items()
        for method, operation in methods.items()
    ]
    shapes = {
        name: json.dumps(shape, indent=2, ensure_ascii=False)
        for name, shape in sorted(description["components"]["schemas"].items())
    }
    context = {"nav": "help", "calls": calls, "shapes": shapes, "records": sorted(RECORD_TYPES)}
    return render("help/api.html", context, scope=request.scope)


def _call(path: str, method: str, operation: dict[str, Any]) -> dict[str, Any]:
    body = operation.get("requestBody", {}).get("content", {})
    good = [entry for code, entry in operation["responses"].items() if code.startswith("2")]
    answer = good[0].get("content", {}) if good else {}
    return {
        "path": path,
        "method": method.upper(),
        "summary": operation.get("description", ""),
        "parameters": [
            (entry["name"], entry["in"], entry.get("required", False))
            for entry in operation.get("parameters", [])
        ],
        "body": _shape_name(body),
        "answer": _shape_name(answer),
    }


def _shape_name(content: dict[str, Any]) -> str:
    for kind, entry in content.items():
        reference = entry.get("schema", {}).get("$ref", "")
        return reference.rpartition("/")[2] or kind
    return ""
