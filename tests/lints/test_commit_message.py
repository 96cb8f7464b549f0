"""The hook for messages of commits takes a short subject with a body, and nothing else."""

import subprocess
import sys
from pathlib import Path

import pytest
import yaml

CONFIG = yaml.safe_load((Path(__file__).parents[2] / ".pre-commit-config.yaml").read_text(encoding="utf-8"))
(HOOK,) = [hook for repo in CONFIG["repos"] for hook in repo["hooks"] if hook.get("stages") == ["commit-msg"]]
SUBJECT = "fix(cds): an answer names the site"
LONGEST = SUBJECT.ljust(71, "s")
BODY = "It was told from the address only."


def is_taken(folder: Path, message: str) -> bool:
    """Whether the hook takes ``message``, as pre-commit runs it."""
    file = folder / "COMMIT_EDITMSG"
    file.write_text(message, encoding="utf-8")
    command = [sys.executable, "-m", "pre_commit.languages.pygrep", *HOOK["args"], HOOK["entry"], str(file)]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


@pytest.mark.parametrize(
    "message",
    [
        f"{SUBJECT}\n\n{BODY}\n",
        f"{LONGEST}\n\n{BODY}\n",
        f"{'ä' * 71}\n\n{BODY}\n",
        f"{SUBJECT}\n\n\n{BODY}\nAnd so on.\n\nSigned-off-by: A <a@example.org>\n# Please enter the commit message\n",
        f"{SUBJECT}\n\nSigned-off-by: A <a@example.org>\n\n{BODY}\n",
        "Merge branch 'main' into topic\n",
        f"fixup! {SUBJECT}\n",
    ],
)
def test_a_short_subject_with_a_body_is_taken(tmp_path: Path, message: str) -> None:
    assert is_taken(tmp_path, message)


@pytest.mark.parametrize(
    "message",
    [
        "",
        SUBJECT,
        f"{SUBJECT}\n",
        f"{SUBJECT}\n\n\n",
        f"{SUBJECT}\n{BODY}\n",
        f"{LONGEST}s\n\n{BODY}\n",
        f"{'ä' * 72}\n\n{BODY}\n",
        f"{SUBJECT}\n\n# Please enter the commit message\n",
        f"{SUBJECT}\n\nSigned-off-by: A <a@example.org>\n",
        f"{SUBJECT}\n\nSigned-off-by: A <a@example.org>\nCo-authored-by: B <b@example.org>\n\n# Please enter\n",
        f"\n\n{BODY}\n",
    ],
)
def test_a_long_subject_or_no_body_is_refused(tmp_path: Path, message: str) -> None:
    assert not is_taken(tmp_path, message)


@pytest.mark.tree
def test_it_is_installed_with_the_others_and_they_do_not_run_on_messages() -> None:
    assert CONFIG["default_install_hook_types"] == ["pre-commit", "commit-msg"]
    assert CONFIG["default_stages"] == ["pre-commit"]
