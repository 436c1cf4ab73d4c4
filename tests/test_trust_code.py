"""What the code never does: run text, unpickle, call a shell, reach out, open its doors."""

from __future__ import annotations

import ast
import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import fruitvision
from app.server import listening
from fruitvision import serve
from fruitvision.photo import MOST_BYTES

PACKAGE = Path(fruitvision.__file__).parent
APP = PACKAGE.parent / "app"
FILES = sorted(
    path
    for folder in (PACKAGE, APP)
    for path in folder.rglob("*.py")
    if "share" not in path.relative_to(folder).parts[:-1]
)

# Built-in functions that run text as code, by name alone: a method `eval` of a network is none.
RUN_TEXT = {"eval", "exec", "compile", "__import__"}
# Calls by their full name that make objects or commands out of bytes.
FORBIDDEN = {
    "os.system",
    "os.popen",
    "os.execv",
    "os.execve",
    "os.spawnv",
    "subprocess.getoutput",
    "subprocess.getstatusoutput",
    "pickle.load",
    "pickle.loads",
    "pickle.Unpickler",
    "marshal.loads",
    "shelve.open",
    "joblib.load",
    "yaml.load",
    "pandas.read_pickle",
    "pd.read_pickle",
    "tempfile.mktemp",
    "ssl._create_unverified_context",
}
# Arguments that make a call safe, by its name's end.
NEEDED = {
    "torch.load": ("weights_only", True),
    "np.load": ("allow_pickle", False),
    "numpy.load": ("allow_pickle", False),
}
# Libraries that fetch or send. Dask's workers, who ask for one, and a database's server are reached
# by libraries of their own.
REACH_OUT = {
    "requests",
    "httpx",
    "aiohttp",
    "urllib.request",
    "http.client",
    "ftplib",
    "smtplib",
    "telnetlib",
    "paramiko",
}
# Modules that ask a server of this computer, which they started themselves.
ASK_HERE = {"fruitvision/bench_app/server.py"}


def _name(node: ast.expr) -> str:
    if isinstance(node, ast.Attribute):
        return f"{_name(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


def _wrong_call(call: ast.Call) -> str:  # noqa: PLR0911
    name = _name(call.func)
    given = {one.arg: one.value for one in call.keywords}
    if isinstance(call.func, ast.Name) and name in RUN_TEXT:
        return f"{name} runs text"
    if name in FORBIDDEN:
        return name
    if name in NEEDED:
        argument, wanted = NEEDED[name]
        value = given.get(argument)
        if not (isinstance(value, ast.Constant) and value.value is wanted):
            return f"{name} without {argument}={wanted}"
    if "shell" in given and not (
        isinstance(given["shell"], ast.Constant) and given["shell"].value is False
    ):
        return f"{name} with a shell"
    if name.startswith("subprocess.") and call.args and isinstance(call.args[0], ast.JoinedStr):
        return f"{name} with a command line as text"
    if name.endswith((".extractall", ".unpack_archive")):
        return f"{name} writes wherever an archive says"
    return ""


def wrong(source: str) -> Iterator[str]:
    """What a module does that none may do."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and (found := _wrong_call(node)):
            yield f"line {node.lineno}: {found}"
        names = (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or "", *(f"{node.module}.{one.name}" for one in node.names)]
            if isinstance(node, ast.ImportFrom)
            else []
        )
        yield from (f"imports {name}" for name in names if name in REACH_OUT)


def test_no_module_runs_text_unpickles_calls_a_shell_or_reaches_out() -> None:
    assert len(FILES) > 300
    found = {
        name: what
        for path in FILES
        if (what := list(wrong(path.read_text(encoding="utf-8"))))
        and (name := path.relative_to(PACKAGE.parent).as_posix()) not in ASK_HERE
    }
    assert found == {}


@pytest.mark.parametrize(
    "source",
    [
        "eval(text)",
        "os.system('ls')",
        "subprocess.run(f'ls {name}', shell=True)",
        "subprocess.run(f'ls {name}')",
        "pickle.loads(content)",
        "torch.load(path)",
        "torch.load(path, weights_only=False)",
        "np.load(stream)",
        "archive.extractall(folder)",
        "from urllib.request import urlopen",
        "import requests",
    ],
)
def test_the_check_sees_what_it_looks_for(source: str) -> None:
    assert list(wrong(source)) != []


@pytest.mark.parametrize(
    "source",
    ["network.eval()", "torch.load(path, weights_only=True)", "subprocess.run([sys.executable])"],
)
def test_the_check_lets_pass_what_is_safe(source: str) -> None:
    assert list(wrong(source)) == []


# ---------------------------------------------------------------- how the app is served


def test_only_this_computer_reaches_the_app_unless_it_is_asked_otherwise() -> None:
    """`test_serve.py` holds that a network needs accounts first."""
    source = (PACKAGE / "cli.py").read_text(encoding="utf-8")
    given = [
        node.value
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Constant) and node.value in ("127.0.0.1", "0.0.0.0")  # noqa: S104
    ]
    assert given == ["127.0.0.1"]
    with listening("127.0.0.1", 0) as found:
        assert found.getsockname()[0] == "127.0.0.1"


def test_forged_requests_and_endless_uploads_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    from streamlit import config

    asked = {}
    monkeypatch.setattr(
        serve,
        "_run",
        lambda _, environment: asked.update(environment) or 0,  # type: ignore[func-returns-value]
    )
    monkeypatch.setattr(serve, "_refuse_taken", lambda *_: None)
    serve.serve_app(Path("nowhere"), address="127.0.0.1", port=8501)
    options = asked[serve.OPTIONS_VARIABLE]
    assert "enableXsrfProtection" not in options
    assert "enableCORS" not in options
    # What nobody sets is as Streamlit has it: protection on.
    assert config._config_options_template["server.enableXsrfProtection"].default_val is True
    assert config._config_options_template["server.enableCORS"].default_val is True
    assert f'"server.maxUploadSize": {serve.UPLOAD_LIMIT_MB}' in options
    assert serve.UPLOAD_LIMIT_MB * 2**20 <= MOST_BYTES


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Streamlit's part of the app, which serves nobody yet."""
    from streamlit.runtime import Runtime
    from streamlit.starlette import App

    # There is one a process, and tests of pages have one of their own.
    monkeypatch.setattr(Runtime, "_instance", None)
    return App(APP / "main.py")


def _answered(server: Any, kind: str, path: str, headers: dict[str, str]) -> int:
    """The status of the answer to a request, or to a page that wants a connection."""
    sent: list[Any] = []
    scope = {
        "type": kind,
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "PUT",
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": b"",
        "scheme": "http" if kind == "http" else "ws",
        "server": ("127.0.0.1", 8501),
        "client": ("127.0.0.1", 40000),
        "subprotocols": [],
        "headers": [(name.lower().encode(), value.encode()) for name, value in headers.items()],
        "extensions": {"websocket.http.response": {}},
    }

    async def receive() -> Any:
        return {"type": "websocket.connect" if kind == "websocket" else "http.request"}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(server(scope, receive, send))
    return int(sent[0].get("status", 403 if sent[0]["type"] == "websocket.close" else 0))


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "https://e.example"},
        {"Cookie": "_streamlit_xsrf=2|a|b|1", "X-Xsrftoken": "2|c|d|1"},
    ],
)
def test_an_upload_without_the_pages_own_token_is_refused(
    server: Any, headers: dict[str, str]
) -> None:
    given = {"Host": "127.0.0.1:8501", "Content-Type": "multipart/form-data; boundary=x", **headers}
    assert _answered(server, "http", "/_stcore/upload_file/a/b", given) == 403


def test_another_sites_page_gets_no_connection(server: Any) -> None:
    given = {"Host": "127.0.0.1:8501", "Origin": "https://e.example"}
    assert _answered(server, "websocket", "/_stcore/stream", given) == 403
