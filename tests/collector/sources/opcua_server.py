"""An OPC UA server of the library we use, in a thread of its own, with a plant in it; counts the services it is asked for."""

from __future__ import annotations

import asyncio
import threading
from collections import Counter
from collections.abc import Coroutine
from concurrent.futures import Future
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, TypeVar

from asyncua import ua
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.server import Server
from asyncua.server.uaprocessor import UaProcessor
from asyncua.server.user_managers import UserManager
from asyncua.ua.object_ids import ObjectIdNames

from tests.collector.sources.authority import Pair

Result = TypeVar("Result")
LONG = 30.0
URI = "urn:terminal:plc"

NUMBERS = {"flow": 420.5, "load": 61.0, "speed": 1.9}
POLICIES = [
    ua.SecurityPolicyType.NoSecurity,
    ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
    ua.SecurityPolicyType.Basic256Sha256_Sign,
    ua.SecurityPolicyType.Aes128Sha256RsaOaep_SignAndEncrypt,
    ua.SecurityPolicyType.Aes256Sha256RsaPss_SignAndEncrypt,
]


class _Users(UserManager):
    def get_user(self, iserver: Any, username: str | None = None, password: str | None = None, certificate: Any = None) -> Any:
        if username is None or (username == "reader" and password == "reader-pw"):
            return User(role=UserRole.User, name=username or "anonymous")
        return None


class PlantServer:
    """Nodes ns=2;s=<name> for NUMBERS, `word`, `text`, `clock`, `array`, and `flow` with EURange and EngineeringUnits."""

    def __init__(self, pair: Pair | None = None) -> None:
        self.port = 0
        self.services: Counter[str] = Counter()
        self._pair = pair
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="opc ua server", daemon=True)
        self._server: Server | None = None

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"opc.tcp://127.0.0.1:{self.port}/terminal/"

    def __enter__(self) -> PlantServer:
        self._thread.start()
        self.call(self._start())
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.call(self._stop())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(LONG)
        self._loop.close()

    def call(self, work: Coroutine[Any, Any, Result]) -> Result:
        """Run something in the server's thread and wait for it."""
        future: Future[Result] = asyncio.run_coroutine_threadsafe(work, self._loop)
        return future.result(LONG)

    def put(self, name: str, value: Any, *, status: int = 0, source: datetime | None = None, kind: Any = None) -> None:
        """Set the value of a node with a status code and a source time (now)."""
        data = ua.DataValue(
            ua.Variant(value) if kind is None else ua.Variant(value, kind),
            ua.StatusCode(ua.UInt32(status)),
            ua.DateTime.fromtimestamp((source or datetime.now(UTC)).timestamp(), UTC),
        )
        assert self._server is not None
        self.call(self._server.write_attribute_value(ua.NodeId(ua.String(name), ua.Int16(2)), data))

    def value(self, name: str) -> Any:
        """What a node holds."""
        assert self._server is not None
        return self.call(self._server.get_node(f"ns=2;s={name}").read_value())

    def restart(self) -> None:
        """Stop and start again at the same port."""
        self.call(self._stop())
        self.call(self._start())

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_forever()

    async def _start(self) -> None:
        server = Server(user_manager=_Users())
        await server.init()
        server.set_endpoint(f"opc.tcp://127.0.0.1:{self.port}/terminal/")
        await server.set_application_uri(URI)
        if self._pair is None:
            server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        else:
            await server.load_certificate(self._pair.certificate)
            await server.load_private_key(self._pair.key, format="pem")
            server.set_security_policy(POLICIES)
        index = await server.register_namespace("urn:terminal:tags")
        assert index == 2
        folder = await server.nodes.objects.add_folder(ua.NodeId(ua.String("TB-07"), ua.Int16(2)), "TB-07")
        values: dict[str, Any] = {
            **NUMBERS,
            "word": ua.Variant(0b101, ua.VariantType.UInt16),
            "text": "on",
            "clock": datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
            "array": [1.0, 2.0],
        }
        for name, value in values.items():
            variable = await folder.add_variable(ua.NodeId(ua.String(name), ua.Int16(2)), name, value)
            if name == "flow":
                await variable.add_property(ua.NodeId(ua.Int32(5000), ua.Int16(2)), "0:EURange", ua.Range(0.0, 600.0))
                units = ua.EUInformation(
                    "http://www.opcfoundation.org/UA/units/un/cefact", ua.Int32(4534584), ua.LocalizedText("t/h")
                )
                await variable.add_property(ua.NodeId(ua.Int32(5001), ua.Int16(2)), "0:EngineeringUnits", units)
        await server.start()
        self._server = server
        listening: Any = server.bserver
        self.port = listening._server.sockets[0].getsockname()[1]

    async def _stop(self) -> None:
        if self._server is not None:
            await self._server.stop()
            self._server = None
        left = asyncio.all_tasks() - {asyncio.current_task()}
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)


def count_services(server: PlantServer, monkeypatch: Any) -> None:
    """Count in `server.services` what arrives there by the name of the request."""
    original: Any = UaProcessor._process_message

    async def counting(self: Any, typeid: Any, requesthdr: Any, seqhdr: Any, body: Any) -> Any:
        name = ObjectIdNames.get(int(typeid.Identifier), str(typeid))
        server.services[name.removesuffix("_Encoding_DefaultBinary").removesuffix("Request")] += 1
        return await original(self, typeid, requesthdr, seqhdr, body)

    monkeypatch.setattr(UaProcessor, "_process_message", counting)
