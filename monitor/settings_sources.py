"""Where settings come from: file, secrets file, environment, command line; the strongest last.

In: settings.toml, STILLREADY_… environment variables, what the command line said. Out: one frozen Settings, or every
fault in one go. Secrets come from the environment or from a file of their own, never from settings.toml. May import:
monitor.settings, monitor.fleet, monitor.toml_tables, pydantic. Reads the two files and the environment, nothing else.
"""

import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import UnionType
from typing import Union, get_args, get_origin

from pydantic import BaseModel, SecretStr, ValidationError

from monitor.settings import Settings
from monitor.toml_tables import FileFaults, content_of, did_you_mean, shown

PREFIX = "STILLREADY_"
SETTINGS_VARIABLE = "STILLREADY_SETTINGS"  # names the settings file where the command line does not
FILE_BYTES_MAX = 1_000_000  # a settings file has some dozens of lines


class SettingsError(FileFaults):
    """Settings that cannot be used; the text lists every fault, one a line."""


def load_settings(
    path: Path | None, overrides: Mapping[str, object], environment: Mapping[str, str] | None = None
) -> Settings:
    """The settings in force: defaults < settings file < environment < command line; secrets file between the first two.

    Args:
        path: settings.toml; None: there is none. Its relative paths begin at its own folder.
        overrides: what the command line says, by dotted name ("broker.url"); None values say nothing.
        environment: variables; None: the process's own.
    Raises:
        SettingsError: every fault: a file missing, an unknown name, a secret in the settings file, a value not allowed.
    """
    faults: list[str] = []
    variables = os.environ if environment is None else environment
    merged: dict[str, object] = {}
    origin: dict[tuple[str, ...], str] = {}  # which place said what, for the sentences

    def layer(content: Mapping[str, object], place: str) -> None:
        _merge(merged, content)
        origin.update(dict.fromkeys(_leaves(content), place))

    if path is not None:
        from_file = _file_content(path, "settings file", "--settings", faults)
        _refuse_secrets(from_file, path.name, faults)
        layer(_with_paths_from(from_file, path.parent), path.name)
    from_environment = _environment_content(variables, faults)
    given: dict[str, object] = {}
    for name, value in overrides.items():
        if value is not None:
            _put(given, tuple(name.split(".")), value)
    layer(_secrets(_chosen_secrets_file(merged, from_environment, given), merged, faults), "The secrets file")
    layer(from_environment, "The environment")
    layer(given, "The command line")
    try:
        settings = Settings.model_validate(_lists_of_indexed(merged))
    except ValidationError as error:
        faults += [_sentence(problem, origin) for problem in error.errors(include_url=False)]
        settings = None
    if faults or settings is None:
        raise SettingsError(faults)
    return settings


def setting_names() -> Iterator[tuple[tuple[str, ...], bool]]:
    """Every setting's path ("broker", "url"), and whether it is a secret. Lists of tables count as one, then by "N"."""
    yield from _names(Settings, ())


def variable_name(path: tuple[str, ...]) -> str:
    """The environment variable of a setting."""
    return PREFIX + "__".join(path).upper()


def _names(model: type[BaseModel], before: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], bool]]:
    for name, entry in model.model_fields.items():
        path = (*before, entry.alias or name)
        inner, many = _inner(entry.annotation)
        if inner is not None and not many:
            yield from _names(inner, path)
            continue
        yield path, _is_secret(entry.annotation)
        if inner is not None:
            yield from _names(inner, (*path, "N"))


def _inner(annotation: object) -> tuple[type[BaseModel] | None, bool]:
    """The model inside an annotation, and whether it stands in a tuple."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    many = get_origin(annotation) is tuple
    for part in get_args(annotation):
        model, deeper = _inner(part)
        if model is not None:
            return model, many or deeper
    return None, False


def _is_secret(annotation: object) -> bool:
    if get_origin(annotation) in (Union, UnionType):
        return any(_is_secret(part) for part in get_args(annotation))
    return annotation is SecretStr


def _file_content(path: Path, what: str, option: str, faults: list[str]) -> dict[str, object]:
    try:
        if path.stat().st_size > FILE_BYTES_MAX:
            faults.append(f"{path} is larger than {FILE_BYTES_MAX // 1_000_000} MB. Is it a {what}?")
            return {}
        return content_of(path.read_text("utf-8"), path.name)
    except OSError as error:
        faults.append(f"The {what} {path} cannot be read: {error.strerror}. Create it, or correct {option}.")
    except UnicodeDecodeError:
        faults.append(f"The {what} {path} is no UTF-8 text. Save it as UTF-8.")
    except FileFaults as error:
        faults.extend(error.faults)
    return {}


def _refuse_secrets(content: Mapping[str, object], file: str, faults: list[str]) -> None:
    secrets = {path for path, secret in setting_names() if secret}
    faults += [
        f"{file}: {'.'.join(leaf)} is a secret and may not stand here. Put it into the environment as "
        f"{variable_name(leaf)}, or into the file that secrets_file names; then change it, others may have read it."
        for leaf in _leaves(content)
        if _pattern(leaf) in secrets
    ]


def _with_paths_from(content: Mapping[str, object], folder: Path) -> dict[str, object]:
    """Relative paths of the settings file begin where it stands, wherever the program was started."""

    def walk(model: type[BaseModel], table: Mapping[str, object]) -> dict[str, object]:
        found = dict(table)
        for name, entry in model.model_fields.items():
            value = found.get(name)
            inner, many = _inner(entry.annotation)
            if inner is not None and not many and isinstance(value, Mapping):
                found[name] = walk(inner, value)
            elif isinstance(value, str) and (entry.annotation is Path or Path in get_args(entry.annotation)):
                found[name] = folder / value
        return found

    return walk(Settings, content)


def _chosen_secrets_file(*layers: Mapping[str, object]) -> Path | None:
    chosen = [layer["secrets_file"] for layer in layers if layer.get("secrets_file") is not None]
    return Path(str(chosen[-1])) if chosen else None


def _secrets(path: Path | None, merged: Mapping[str, object], faults: list[str]) -> dict[str, object]:
    """What the secrets file says; webhooks are matched by their url, so that their order does not matter."""
    if path is None:
        return {}
    content = _file_content(path, "secrets file", "secrets_file", faults)
    secrets = {name for name, secret in setting_names() if secret}
    webhooks = _at(content, ("call_outs", "webhooks"))
    known = _at(merged, ("call_outs", "webhooks"))
    if isinstance(webhooks, list) and isinstance(known, list):
        indexed: dict[str, object] = {}
        urls = [webhook.get("url") for webhook in known if isinstance(webhook, Mapping)]
        for webhook in webhooks:
            url = webhook.get("url") if isinstance(webhook, Mapping) else None
            if url not in urls:
                faults.append(
                    f"{path.name}: call_outs.webhooks has the url {shown(url)}, which the settings do not have."
                    f"{did_you_mean(str(url), [str(one) for one in urls])}"
                )
                continue
            indexed[str(urls.index(url))] = {key: value for key, value in webhook.items() if key != "url"}
        _put(content, ("call_outs", "webhooks"), indexed)
    faults += [
        f"{path.name}: {'.'.join(leaf)} is no secret. Put it into the settings file."
        for leaf in _leaves(content)
        if _pattern(leaf) not in secrets
    ]
    return content


def _environment_content(variables: Mapping[str, str], faults: list[str]) -> dict[str, object]:
    """What STILLREADY_… variables say, as nested tables. Those that no setting has are named, never passed over."""
    content: dict[str, object] = {}
    names = {path: _is_list_of_tables(path) for path, _ in setting_names()}
    known = [variable_name(path) for path in names]
    for variable, text in sorted(variables.items()):
        if not variable.startswith(PREFIX) or variable == SETTINGS_VARIABLE:
            continue
        if not text:  # as compose files and unit files leave a variable that nobody filled in
            continue
        path = tuple(variable.removeprefix(PREFIX).lower().split("__"))
        pattern = _pattern(path)
        if pattern not in names:
            faults.append(f"The environment variable {variable} is no setting.{did_you_mean(variable, known)}")
        elif names[pattern]:  # a list of tables, whole
            try:
                _put(content, path, json.loads(text))
            except json.JSONDecodeError:
                faults.append(
                    f'The environment variable {variable} is no JSON list. Write it like \'[{{"url": "…"}}]\'.'
                )
        else:
            _put(content, path, text)
    return content


def _is_list_of_tables(path: tuple[str, ...]) -> bool:
    """Whether a setting is a list of tables."""
    model: type[BaseModel] = Settings
    many = False
    for part in path:
        if part == "N":
            many = False
            continue
        entry = next(entry for name, entry in model.model_fields.items() if (entry.alias or name) == part)
        inner, many = _inner(entry.annotation)
        model = inner or model
    return many


def _merge(into: dict[str, object], more: Mapping[str, object]) -> None:
    for key, value in more.items():
        below = into.get(key)
        if isinstance(value, Mapping):
            if isinstance(below, list) and value and all(name.isdigit() for name in value):
                below = {str(position): row for position, row in enumerate(below)}
            table = dict(below) if isinstance(below, Mapping) else {}
            _merge(table, value)
            into[key] = table
        else:
            into[key] = value


def _lists_of_indexed(value: object) -> object:
    """Tables whose keys are all numbers become the lists that they stand for."""
    if isinstance(value, Mapping):
        if value and all(str(name).isdigit() for name in value):
            return [_lists_of_indexed(value[name]) for name in sorted(value, key=int)]
        return {name: _lists_of_indexed(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_lists_of_indexed(inner) for inner in value]
    return value


def _leaves(content: object, before: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    if isinstance(content, Mapping):
        for name, inner in content.items():
            yield from _leaves(inner, (*before, str(name)))
    elif isinstance(content, list) and content:
        for position, inner in enumerate(content):
            yield from _leaves(inner, (*before, str(position)))
    else:
        yield before


def _at(content: object, path: tuple[str, ...]) -> object:
    for part in path:
        content = content.get(part) if isinstance(content, Mapping) else None
    return content


def _put(content: dict[str, object], path: tuple[str, ...], value: object) -> None:
    table = content
    for part in path[:-1]:
        inner = table.setdefault(part, {})
        if not isinstance(inner, dict):
            inner = {str(position): row for position, row in enumerate(inner)} if isinstance(inner, list) else {}
            table[part] = inner
        table = inner
    table[path[-1]] = value


def _sentence(problem: Mapping[str, object], origin: Mapping[tuple[str, ...], str]) -> str:
    """One sentence on what pydantic has against a value: where it stands, what it is, what to do."""
    location = problem["loc"]
    assert isinstance(location, tuple), "pydantic gives a path"
    path = tuple(str(part) for part in location)
    place = next((origin[leaf] for leaf in origin if leaf[: len(path)] == path), "The settings")
    name = ".".join(path)
    kind = str(problem["type"])
    if kind == "extra_forbidden":
        siblings = [names[-1] for names, _ in setting_names() if _matches(names[:-1], path[:-1])]
        tables = [
            names[len(path) - 1]
            for names, _ in setting_names()
            if len(names) > len(path) and _matches(names[: len(path) - 1], path[:-1])
        ]
        return f"{place}: {name} is no setting.{did_you_mean(path[-1], list(dict.fromkeys(siblings + tables)))}"
    if kind == "missing":
        secret = any(is_secret and _matches(names, path) for names, is_secret in setting_names())
        where = f"Give it in the environment as {variable_name(path)} or in the secrets file." if secret else "Add it."
        return f"The settings: {name} is missing. {where}"
    if kind == "value_error":
        return f"{place}: {name}: {str(problem['msg']).removeprefix('Value error, ')}"
    message = str(problem["msg"]).replace("Input should be", "it should be", 1)
    secret = any(is_secret and _matches(names, path) for names, is_secret in setting_names())
    is_now = "" if secret else f" is {shown(problem['input'])};"
    return f"{place}: {name}{is_now} {message[0].lower()}{message[1:]}."


def _pattern(path: tuple[str, ...]) -> tuple[str, ...]:
    """A path with N for each position in a list, as setting_names writes it."""
    return tuple("N" if part.isdigit() else part for part in path)


def _matches(names: tuple[str, ...], path: tuple[str, ...]) -> bool:
    return names == _pattern(path)
