"""What the board says, for the tests of what is shown on it."""

import re

from tests.adapters.web.plant import Plant


def needs_on(plant: Plant, query: str = "") -> dict[str, int]:
    """Return how many drives have each need, as the board counts them."""
    found = re.findall(r'<li class="(\w+)[^"]*"><a [^>]*><b>(\d+)</b>', plant.page(f"/{query}"))
    return {need: int(number) for need, number in found}


def ids_on(plant: Plant, query: str = "") -> list[str]:
    """Return the drives on the board from the top."""
    return re.findall(r'<tr data-drive="([^"]+)"', plant.page(f"/{query}"))


def row_on(plant: Plant, drive_id: str) -> str:
    """Return the text of a row, with single blanks."""
    (html,) = re.findall(rf'<tr data-drive="{drive_id}".*?</tr>', plant.page("/"), re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).strip()
