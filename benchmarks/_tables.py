"""Small helpers shared by the benchmarks."""

from collections.abc import Iterable, Sequence
from pathlib import Path

RESULTS = Path(__file__).parent / "results"


def markdown(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A Markdown table."""
    lines = [" | ".join(header), " | ".join("---" for _ in header)]
    lines += [" | ".join(str(cell) for cell in row) for row in rows]
    return "\n".join(f"| {line} |" for line in lines)


def save(name: str, title: str, *parts: str) -> None:
    """Print a result and keep it beside the benchmarks."""
    text = f"# {title}\n\n" + "\n\n".join(parts) + "\n"
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / f"{name}.md").write_text(text, encoding="utf-8")
    print(text)
