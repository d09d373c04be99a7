"""Faults in how tags are read and wired, and in what is counted beside the beam."""

from __future__ import annotations

from deploy.plant.fault import FaultSpec, change

TAGS: dict[str, FaultSpec] = {
    # decoding
    "register-offset": FaultSpec(
        "the gauge is read one register too far", 1.0, "", change("link", joined=lambda _s, _x: True)
    ),
    "register-offset@flow": FaultSpec(
        "the flow tag reads the value behind it", 1.0, "", change("link", neighbour=lambda _s, _x: True)
    ),
    "wrong-type": FaultSpec("the flow tag takes tenths for whole numbers", 1.0, "", change("link", tenths=lambda _s, _x: True)),
    # card, block, output
    "raw-overflow": FaultSpec(
        "the raw word of the card is read without its sign", 1.0, "", change("card", unsigned=lambda _s, _x: True)
    ),
    "wrong-channel": FaultSpec(
        "the wire of another loop is on the channel", 1.0, "", change("card", foreign=lambda _s, _x: True)
    ),
    "double-scaling": FaultSpec(
        "the screen scales the PLC flow again, as a part of hundred", 1.0, "",
        change("block", again=lambda spec, _: (0.0, 100.0 / spec.span)),
    ),
    "averaging-differs": FaultSpec(
        "the PLC takes a moving average", 80.0, "s", change("block", average=lambda _, x: round(x))
    ),
    "digital-analogue-differ": FaultSpec(
        "the current of the gauge stands at 4 mA for multi-drop use", 4.0, "mA", change("gauge", fixed_current=lambda _, x: x)
    ),
    "wrong-variable": FaultSpec(
        "the current carries the load instead of the flow", 55.0, "kg/m at 20 mA",
        change("gauge", output_of_load=lambda _, x: x), per_span=True,
    ),
    "clock-shift": FaultSpec("the PLC is an hour behind", 3600.0, "s", change("block", late=lambda _, x: round(x))),
    # counts beside the beam
    "product-gammas": FaultSpec(
        "the product itself radiates", 1.5, "1/s per kg/m", change("source", product_gamma=lambda _, x: x)
    ),
    "light-leak": FaultSpec("daylight falls on the detector", 60.0, "1/s at noon", change("source", daylight=lambda _, x: x)),
    "neighbour-source": FaultSpec(
        "a neighbouring source is open by turns", 100.0, "1/s", change("source", neighbour=lambda _, x: x)
    ),
    "source-weak": FaultSpec(
        "the damping is too short for the source", 0.8, "s of damping", change("gauge", damping=lambda _, x: x)
    ),
}  # fmt: skip
