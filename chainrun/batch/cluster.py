"""Jobs on dask.distributed (extra `cluster`): `local:4` starts workers here, `tcp://HOST:PORT` has its own.

Inputs, output and store lie on a file system that all workers see under the same paths.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from chainrun import __version__
from chainrun.audiofile import BLOCK_FRAMES
from chainrun.engine.crew import Crew, environment_of_children
from chainrun.engine.fingerprint import surroundings
from chainrun.errors import Problem, ResourceError, UsageError, reason

PATIENCE_S = 15.0
"""So long a scheduler and its first worker are waited for."""


def run_on_cluster(
    where: str,
    crew: Crew[Any, Any],
    needs: Mapping[str, Sequence[str]],
    recipes: Sequence[Path],
    store: Path | None,
) -> None:
    """Run a crew's tasks on a cluster. Raises ResourceError where a worker does not match this program."""
    try:
        from distributed import CancelledError, KilledWorker
    except ImportError as error:
        raise UsageError(
            Problem("--cluster needs the extra `cluster`", hint="pip install 'chainrun[cluster]'")
        ) from error
    with _client(where) as client:
        _check_workers(client, [*recipes[:8], *([store] if store is not None else [])])
        at_once = 2 * max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
        crew.run_on(client.get_executor(), needs, at_once, lost=(KilledWorker, CancelledError))


@contextmanager
def _client(where: str) -> Iterator[Any]:
    import distributed

    # Untyped names of the library.
    Client: Any = distributed.Client
    LocalCluster: Any = distributed.LocalCluster
    kind, _, rest = where.partition(":")
    if kind == "local":
        if not rest.isdigit() or not 1 <= int(rest) <= 256:
            raise UsageError(
                Problem("--cluster local:N needs a number of workers", given=f'"{where}"', allowed="1 to 256")
            )
        with (
            environment_of_children(),
            LocalCluster(
                n_workers=int(rest), threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
            ) as cluster,
            Client(cluster) as client,
        ):
            yield client
        return
    if kind not in ("tcp", "tls"):
        raise UsageError(
            Problem("--cluster is no place of workers", given=f'"{where}"', allowed="local:N, or tcp://HOST:PORT")
        )
    try:
        client = Client(where, timeout=PATIENCE_S)
    except (OSError, TimeoutError) as error:
        raise ResourceError(Problem("no scheduler answers there", given=f'"{where}"')) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError as error:
            raise ResourceError(Problem("the scheduler has no workers", given=f'"{where}"')) from error
        yield client


def worker_report(paths: Sequence[str]) -> dict[str, Any]:
    """What a worker is, and which of the paths it does not see."""
    around = surroundings(BLOCK_FRAMES)
    return {**around, "missing": [path for path in paths if not Path(path).exists()]}


def _check_workers(client: Any, paths: Sequence[Path]) -> None:
    try:
        reports = client.run(worker_report, [str(path.absolute()) for path in paths])
    except ImportError as error:
        raise ResourceError(
            Problem(f"a worker has no chainrun ({reason(error)})", hint=f"install {__version__} there")
        ) from error
    mine = surroundings(BLOCK_FRAMES)
    problems = []
    for worker, report in reports.items():
        for key in ("engine", "code", "numpy", "scipy"):
            if report[key] != mine[key]:
                problems.append(Problem(f"worker {worker} runs another {key}", given=report[key], allowed=mine[key]))
        problems += [
            Problem(
                f"worker {worker} does not see a file", file=path, hint="inputs and store lie on a shared file system"
            )
            for path in report["missing"]
        ]
    if problems:
        raise ResourceError(problems)
