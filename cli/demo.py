"""``freeair demo``: the whole job on the simulated bench."""
from pathlib import Path
def demo(out: Path = Path("freeair-demo")) -> None:
    """The whole job."""
