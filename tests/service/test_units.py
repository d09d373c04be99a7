"""Which loops stay together: those that meet on a device for one client."""

from __future__ import annotations

from collector.service.sharing import loops_of, takes_one_client, units_of
from config.load import parse_site
from config.model import Site

HEAD = """
schema: 1
site: terminal
endpoints:
  gauge-07: {protocol: modbus, host: 192.0.2.17}
  gauge-08: {protocol: modbus, host: 192.0.2.18}
  line: {protocol: modbus, transport: rtu, device: /dev/ttyS9, unit: 1}
  plc: {protocol: modbus, host: 192.0.2.30, one_client: ONE}
loops:
"""
LOOP = """
  {loop}:
    gauge: {{range: {{high: 420 t/h}}}}
    plc: {{range: {{high: 420 t/h}}}}
    tags:
      flow: {{endpoint: {gauge}, address: {address}, type: float32}}
      plc_flow: {{endpoint: plc, address: {address}, type: float32}}
"""


def site(one_client: bool) -> Site:
    loops = (("TB-07", "gauge-07"), ("TB-08", "gauge-08"), ("TB-09", "line"), ("TB-10", "line"))
    text = "".join(LOOP.format(loop=loop, gauge=gauge, address=10 * place) for place, (loop, gauge) in enumerate(loops))
    return parse_site(HEAD.replace("ONE", str(one_client).lower()) + text, "site.yaml").site


def test_loops_on_a_serial_line_stay_together_and_all_others_go_where_there_is_room() -> None:
    found = site(one_client=False)
    assert units_of(found) == [{"TB-07"}, {"TB-08"}, {"TB-09", "TB-10"}]
    assert [takes_one_client(endpoint) for endpoint in found.endpoints.values()] == [False, False, True, False]
    assert loops_of(found, "gauge-08") == {"TB-08"}


def test_controller_for_one_client_keeps_all_its_loops_on_one_collector() -> None:
    assert units_of(site(one_client=True)) == [{"TB-07", "TB-08", "TB-09", "TB-10"}]
