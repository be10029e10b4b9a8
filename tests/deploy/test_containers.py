"""The container files: read, checked for what matters, and tried as far as that goes without a container engine."""

import asyncio
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest
import yaml

from service.errors import StoreRefused
from service.model.record import StoredEvaluation
from service.settings import VARIABLES
from service.store.database import new_id
from service.store.embedded import embedded_server
from service.store.evaluations import Store
from service.store.keys import create_key, create_tenant, list_tenants
from service.store.migrate import migrate

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"


def instructions() -> list[list[tuple[str, str]]]:
    """The stages of the Containerfile, each a list of instructions with what follows them."""
    text = re.sub(r"\\\n", " ", (DEPLOY / "Containerfile").read_text())
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    stages: list[list[tuple[str, str]]] = []
    for line in lines:
        name, _, rest = line.strip().partition(" ")
        if name == "FROM":
            stages.append([])
        stages[-1].append((name, rest.strip()))
    return stages


def compose() -> dict[str, Any]:
    document: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
    return document


def test_the_image_has_no_compiler_and_no_root() -> None:
    builder, final = instructions()
    known = {"FROM", "RUN", "COPY", "ENV", "WORKDIR", "USER", "EXPOSE", "LABEL", "STOPSIGNAL", "HEALTHCHECK", "CMD"}
    assert {name for name, _ in builder + final} <= known | {"ENTRYPOINT"}
    assert any("gcc" in rest for name, rest in builder if name == "RUN")
    assert not any("apt-get" in rest or "gcc" in rest for _, rest in final)
    assert [rest for name, rest in final if name == "USER"] == ["10001:10001"]
    after_user = [name for name, _ in final][[name for name, _ in final].index("USER") :]
    assert "RUN" not in after_user
    assert ("ENTRYPOINT", '["airside"]') in final
    assert ("CMD", '["serve", "--no-migrate"]') in final
    assert not any(re.search(r"password|secret|key", rest, re.IGNORECASE) for _, rest in builder + final)


def test_what_is_copied_is_enough_to_build(tmp_path: Path) -> None:
    for _, rest in (step for step in instructions()[0] if step[0] == "COPY"):
        *sources, target = rest.split()
        for source in sources:
            into = tmp_path / target / source if target.endswith("/") else tmp_path / target
            into.parent.mkdir(parents=True, exist_ok=True)
            if (ROOT / source).is_dir():
                shutil.copytree(ROOT / source, into)
            else:
                shutil.copy(ROOT / source, into)
    pip = [sys.executable, "-m", "pip", "wheel", "--quiet", "--disable-pip-version-check", "--no-deps"]
    done = subprocess.run(
        [*pip, "--wheel-dir", tmp_path / "built", tmp_path], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "built").glob("*.whl"))) == 1


def test_the_ignore_list_lets_through_what_is_copied() -> None:
    let_through = {
        line[1:] for line in (DEPLOY / "Containerfile.dockerignore").read_text().splitlines() if line.startswith("!")
    }
    copied = {source for name, rest in instructions()[0] if name == "COPY" for source in rest.split()[:-1]}
    assert copied == let_through


def test_compose_migrates_before_it_serves() -> None:
    services = compose()["services"]
    assert set(services) == {"database", "migrate", "api"}
    assert services["migrate"]["depends_on"] == {"database": {"condition": "service_healthy"}}
    assert services["api"]["depends_on"] == {"migrate": {"condition": "service_completed_successfully"}}
    assert services["migrate"]["restart"] == "no"
    assert services["migrate"]["command"] == ["migrate"]
    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert services["api"]["image"] == services["migrate"]["image"] == f"airside-findings:{version}"
    build = services["migrate"]["build"]
    assert (DEPLOY / build["context"] / build["dockerfile"]).resolve() == DEPLOY / "Containerfile"


def test_compose_gives_each_part_no_more_than_it_needs() -> None:
    services = compose()["services"]
    for name in ("migrate", "api"):
        assert services[name]["read_only"] is True
        assert services[name]["cap_drop"] == ["ALL"]
        assert services[name]["security_opt"] == ["no-new-privileges:true"]
    assert "//airside_serving:" in services["api"]["environment"]["DATABASE_URL"]
    assert "//airside_owner:" in services["migrate"]["environment"]["DATABASE_URL"]
    assert services["api"]["ports"] == ["127.0.0.1:8350:8350"]
    assert "ports" not in services["database"]
    known = {variable for variable, _ in VARIABLES.values()}
    assert set(services["api"]["environment"]) <= known
    assert set(services["migrate"]["environment"]) <= known


def test_compose_holds_no_password_and_names_files_that_are_there() -> None:
    text = (DEPLOY / "compose.yaml").read_text()
    asked = re.findall(r"PASSWORD: (.*)|postgresql://\w+:(.*?)@", text)
    assert len(asked) == 5
    assert all(re.fullmatch(r"\$\{AIRSIDE_\w+_PASSWORD:\?is not set\}", first or second) for first, second in asked)
    mounted = [entry.split(":")[0] for entry in compose()["services"]["database"]["volumes"]]
    assert mounted[0] in compose()["volumes"]
    assert all((DEPLOY / name).is_file() for name in mounted[1:])


def test_the_readme_lists_every_setting() -> None:
    text = (DEPLOY / "README.md").read_text()
    for variable, _ in VARIABLES.values():
        assert f"| `{variable}` |" in text
    assert "validated, not built" in text


@pytest.fixture
def with_roles(tmp_path: Path) -> Iterator[str]:
    """Address of a database, as its owner, of a server on which an administrator ran roles.sql, twice."""
    with embedded_server(tmp_path) as server:
        with psycopg.connect(server.superuser_url, autocommit=True) as connection:
            # Here the owner is there already, with more rights than roles.sql gives it.
            connection.execute("ALTER ROLE airside_owner NOCREATEROLE")
            connection.execute("ALTER DATABASE airside OWNER TO postgres")
            for _ in range(2):
                connection.execute((DEPLOY / "roles.sql").read_text())
        yield server.database_url


def test_the_roles_are_enough_and_no_more(with_roles: str) -> None:
    owner = with_roles
    serving = owner.replace("//airside_owner@", "//airside_serving@")
    migrate(owner)
    tenant = create_tenant(owner, "Invented tenant")
    secret = create_key(owner, tenant, "test").secret
    with pytest.raises(StoreRefused):
        list_tenants(serving)

    kept = StoredEvaluation(
        evaluation_id=new_id(),
        created_at=datetime.now(UTC),
        ruleset_version="1.0.0",
        ruleset_digest="0" * 64,
        units="ip",
        request=b"{}",
        evaluation=b"{}",
    )

    async def serve() -> tuple[object, object]:
        store = Store(serving, pool_size=1)
        await store.open()
        try:
            known = await store.authenticate(secret)
            await store.keep(tenant, kept)
            return known and known.tenant_id, await store.fetch(tenant, kept.evaluation_id)
        finally:
            await store.close()

    known, fetched = asyncio.run(serve())
    assert known == tenant
    assert fetched is not None
    with psycopg.connect(serving) as connection, pytest.raises(psycopg.errors.InsufficientPrivilege):
        connection.execute("SELECT * FROM airside.evaluations")
