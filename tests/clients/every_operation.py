"""Calls every operation by the client that openapi-python-client has made; run in its environment.

    python every_operation.py FOLDER DOCUMENT ADDRESS VALUES

FOLDER holds the package ``littoral_api``; DOCUMENT is openapi.json; VALUES is JSON: by operation,
or by the name of a parameter, what to call with. Writes a JSON object: by operation the status and
the type of what the client made of the answer.
"""

from __future__ import annotations

import importlib
import inspect
import io
import json
import pkgutil
import sys
import typing
from pathlib import Path
from typing import Any

METHODS = ("put", "get", "post", "patch", "delete")


def carries(made: Any, example: Any) -> bool:
    """Whether all of an example is in what a model makes of it; times may be written otherwise."""
    if isinstance(example, dict):
        return isinstance(made, dict) and all(
            name in made and carries(made[name], one) for name, one in example.items()
        )
    if isinstance(example, list):
        return len(made) == len(example) and all(map(carries, made, example))
    return isinstance(example, str) or bool(made == example)


def body_of(function: Any, example: Any) -> Any:
    """The example as one of the models that the function takes."""
    return model_of(typing.get_type_hints(function)["body"], example)


def model_of(hint: Any, example: Any) -> Any:
    """The example as one of the models of a type."""
    models = [one for one in typing.get_args(hint) or (hint,) if hasattr(one, "from_dict")]
    if isinstance(example, list):
        (model,) = models
        return [model.from_dict(one) for one in example]
    for model in models:
        try:
            made = model.from_dict(example)
        except (KeyError, TypeError, ValueError, AttributeError):
            continue
        if carries(made.to_dict(), example):
            return made
    raise AssertionError(f"no model carries {example}: {[one.__name__ for one in models]}")


def form_of(function: Any, package: Any, options: Any, file: str) -> Any:
    """The form that the function takes: its JSON document, where it has one, and a picture."""
    hint = typing.get_type_hints(function)["body"]
    (model,) = [one for one in typing.get_args(hint) or (hint,) if hasattr(one, "to_multipart")]
    module = vars(sys.modules[model.__module__])
    types = importlib.import_module(f"{package.__name__}.types")
    documents = options.get("documents", {})
    models = importlib.import_module(f"{package.__name__}.models")  # named in its hints
    hints = typing.get_type_hints(model, globalns={**vars(models), **module})
    words = {name: model_of(hints[name], one) for name, one in documents.items()}
    data = io.BytesIO(Path(file).read_bytes())
    return model(picture=[types.File(payload=data, file_name="picture.jpg")], **words)


def in_order(paths: dict[str, Any]) -> list[tuple[str, str, Any]]:
    """All operations: what makes first, what deletes last, the innermost before what holds it."""
    found = [
        (method, path, item[method])
        for path, item in paths.items()
        for method in METHODS
        if method in item
    ]
    return sorted(found, key=lambda one: (METHODS.index(one[0]), -one[1].count("/"), one[1]))


def main(folder: str, document: str, address: str, values: str) -> None:
    sys.path.insert(0, folder)
    package = importlib.import_module("littoral_api")
    for module in pkgutil.walk_packages(package.__path__, "littoral_api."):
        importlib.import_module(module.name)
    api = importlib.import_module("littoral_api.api")
    modules = {
        module.name.rpartition(".")[2]: module.name
        for module in pkgutil.walk_packages(api.__path__, "littoral_api.api.")
        if not module.ispkg
    }
    given = json.loads(values)
    spec = json.loads(Path(document).read_text())
    # As docs/api.md says: what opens as a page in a browser is JSON where that is asked for.
    accept = {"Accept": "application/json, */*;q=0.1"}
    client = package.Client(base_url=address, timeout=60, headers=accept)
    found: dict[str, list[Any]] = {}
    for _, path, item in in_order(spec["paths"]):
        operation = item["operationId"]
        if operation not in modules:
            found[operation] = [0, "not generated"]
            continue
        call = importlib.import_module(modules[operation]).sync_detailed
        options = given.get(operation, {})
        words = {}
        for name in inspect.signature(call).parameters:
            if name == "body":
                (media_type, content), *_ = item["requestBody"]["content"].items()
                if media_type == "multipart/form-data":
                    words[name] = form_of(call, package, options, given["picture_file"])
                else:
                    words[name] = body_of(call, options.get("body", content.get("example", {})))
            elif name in options or f"{{{name}}}" in path:
                words[name] = options.get(name, given.get(name))
        answer = call(client=client, **words)
        found[operation] = [answer.status_code, type(answer.parsed).__name__]
    sys.stdout.write(json.dumps(found))


if __name__ == "__main__":
    main(*sys.argv[1:])
