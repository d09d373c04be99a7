"""Where the work of a replay is done: here, in processes of this machine, or on a Dask cluster. One shape for all: `map`."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from ipaddress import ip_address
from multiprocessing import get_context, parent_process
from typing import Any, Protocol, TypeVar
from urllib.parse import urlsplit

from config.errors import AddressError, TallywireError

T = TypeVar("T")
R = TypeVar("R")
MOST_WORKERS = 256
CONNECT_S = 20.0
"""How long the scheduler of a cluster may take to answer [s]."""


class Executor(Protocol):
    """What a replay asks of whoever does the work; the results come in the order of the tasks."""

    def map(self, work: Callable[[T], R], tasks: Iterable[T], /) -> Iterator[R]:
        """Do the work for every task."""
        ...


class InProcess:
    """One task after the other, in this process, each only when its result is wanted."""

    def map(self, work: Callable[[T], R], tasks: Iterable[T], /) -> Iterator[R]:
        """Do the work for every task."""
        return map(work, tasks)


@contextmanager
def executor(workers: int = 0, cluster: str = "") -> Iterator[Executor]:
    """In this process where neither is named; `workers` processes; or the cluster whose scheduler has this address.

    Raises
    ------
    TallywireError
        The number or the address is refused, Dask is not installed, or the scheduler does not answer.
    """
    if cluster:
        with _dask(cluster) as found:
            yield found
        return
    if not 0 <= workers <= MOST_WORKERS:
        raise TallywireError(f"{workers} workers", where="--workers", fix=f"from 1 to {MOST_WORKERS}, best one a core")
    if workers == 0:
        yield InProcess()
        return
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_in_worker)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _in_worker() -> None:
    """A worker leaves Ctrl-C to whoever waits for it, ends with it, and has one thread for its algebra: the pool fills the cores."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()
    from collector.__main__ import one_thread_for_algebra

    one_thread_for_algebra()


def _end_with_parent() -> None:
    """A pool whose maker was killed would wait for its next task for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _dask(address: str) -> Iterator[Executor]:
    refuse_open_address(address)
    try:
        import distributed
    except ImportError as error:
        raise TallywireError(
            "replay on a cluster needs Dask, which is not installed", where="--cluster", fix="pip install 'tallywire[cluster]'"
        ) from error
    library: Any = distributed
    try:
        client = library.Client(address, timeout=CONNECT_S, security=_security(address), set_as_default=False)
    except (OSError, ValueError, RuntimeError) as error:
        raise AddressError(
            f"no scheduler answers at this address ({str(error).splitlines()[0] if str(error) else type(error).__name__})",
            where=f"--cluster {address}", fix="start one (dask scheduler), with workers that have this version of Tallywire",
        ) from error  # fmt: skip
    try:
        _wait_for_worker(client, address)
        yield client.get_executor(pure=False)
    finally:
        client.close()


def _wait_for_worker(client: Any, address: str) -> None:
    """Without a worker the scheduler would wait for ever, and nobody would know for what."""
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
    except TimeoutError as error:
        raise AddressError(
            f"the scheduler answers, and no worker has joined it within {CONNECT_S:.0f} s", where=f"--cluster {address}",
            fix="start workers (dask worker ADDRESS) that have this version of Tallywire and see the data under the same paths",
        ) from error  # fmt: skip


def refuse_open_address(address: str) -> None:
    """Raise AddressError for an address that anybody on the network could listen on or answer at.

    A scheduler hands the code of whoever sends it to its workers, and workers run it. So beyond this machine only TLS with
    certificates of both sides will do.
    """
    parts = urlsplit(address if "://" in address else f"tcp://{address}")
    try:
        host, port = parts.hostname or "", parts.port
    except ValueError:
        host, port = "", None
    if parts.scheme not in ("tcp", "tls") or not host or port is None:
        raise AddressError(
            f"{address!r} is no address of a scheduler", where="--cluster", fix="tls://HOST:PORT, or tcp://127.0.0.1:PORT"
        )
    if parts.scheme == "tls":
        return
    try:
        loopback = ip_address(host).is_loopback
    except ValueError:
        loopback = host == "localhost"
    if not loopback:
        raise AddressError(
            f"{address!r} is not encrypted and not on this machine: a cluster runs the code that it is sent", where="--cluster",
            fix="use tls:// with certificates of both sides, or an address such as tcp://127.0.0.1:8786",
        )  # fmt: skip


def _security(address: str) -> Any:
    """The certificates for a TLS address, from the variables that Dask itself reads."""
    if not address.startswith("tls://"):
        return None
    names = {
        "tls_ca_file": "DASK_DISTRIBUTED__COMM__TLS__CA_FILE",
        "tls_client_cert": "DASK_DISTRIBUTED__COMM__TLS__CLIENT__CERT",
        "tls_client_key": "DASK_DISTRIBUTED__COMM__TLS__CLIENT__KEY",
    }
    missing = [name for name in names.values() if not os.environ.get(name)]
    if missing:
        raise AddressError(
            f"a tls:// cluster needs certificates: {missing[0]} is not set", where="--cluster",
            fix=f"set {', '.join(names.values())} to files",
        )  # fmt: skip
    import distributed

    library: Any = distributed
    return library.Security(require_encryption=True, **{key: os.environ[name] for key, name in names.items()})
