"""From samples to evaluations: the part that live and replay share to the byte. (Contract; body to be written.)"""

from __future__ import annotations

from checks.blocks import Blocks
from checks.evaluation import Evaluation
from checks.samples import Samples
from config.model import Loop, Site


class LoopEngine:
    """Turns the samples of one loop into blocks, keeps what the checks look back on, and evaluates at each block's end.

    No socket, clock or disk: time comes with the samples. The same samples in any chunking give the same evaluations.

    Parameters
    ----------
    site, loop_id
        The site in force and the loop this engine is for.
    site_sha256 : str
        Named in every evaluation.
    """

    def __init__(self, site: Site, loop_id: str, *, site_sha256: str = "") -> None:
        self.site = site
        self.loop: Loop = site.loops[loop_id]
        self.loop_id = loop_id
        self.site_sha256 = site_sha256

    def push(self, samples: Samples, *, evaluate: bool = True) -> list[Evaluation]:
        """Take the next samples (in order of time) and return one evaluation for each block that they close.

        With `evaluate` False the blocks are built but not judged: the way back from history after a restart.
        """
        raise NotImplementedError

    def take_rollups(self) -> dict[int, Blocks]:
        """The 60, 3600 and 86,400 s blocks closed since the last call, by length; missing where none was closed."""
        raise NotImplementedError
