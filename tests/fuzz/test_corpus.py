"""Fixed files that were, or would be, read wrongly: refused in one line, or read with bad records rejected."""

from pathlib import Path

import pytest
from readers import READERS

CORPUS = Path(__file__).with_name("corpus")
FILES = sorted(path for path in CORPUS.rglob("*") if path.is_file() and path.name[0] != ".")


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(CORPUS)))
def test_corpus(child, path):
    reader = READERS[path.parent.name.replace("_", " ")]
    fitting = [name for name in reader.damaged if name.endswith(path.suffix)]
    wanted = path.name.partition("-")[0]
    assert child(reader=reader.name, file=fitting[0], path=str(path)) == {"outcome": wanted}
