"""Foreign words on a terminal, and names that are typed into a shell again."""

from __future__ import annotations

import shutil
import subprocess
import sys

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stacker.figures import as_typed, harmless, one_line

# Signs that a shell takes for its own (POSIX.1-2017, Shell Command Language, 2.2 Quoting), and some that it does not.
names = st.text(alphabet=st.sampled_from("ab \\$`\"'();&|<>*?[]{}#~=%!^@,\u00e9\u4e2d-\n\t"), min_size=1, max_size=20)


@pytest.mark.skipif(sys.platform == "win32", reason="asks the POSIX shell itself")
@given(names)
@example("$(touch pwned)")
@example("`touch pwned`")
@example("a;touch pwned")
@example('it\'s "here"')
def test_a_posix_shell_makes_one_word_of_a_typed_name(name):
    for shell in filter(None, (shutil.which("sh"), shutil.which("bash"))):
        said = subprocess.run(
            [shell, "-c", f"for word in {as_typed(name, windows=False)}; do printf '<%s>' \"$word\"; done"],
            capture_output=True,
            check=True,
        )
        assert said.stdout.decode() in (f"<{name}>", f"<./{name}>")


@pytest.mark.parametrize(
    ("name", "typed"),
    [
        # PowerShell, about_Quoting_Rules: in double quotes a dollar sign and a grave accent act unless a grave accent
        # stands before them, and curly quotation marks are quotation marks. cmd /?: between quotation marks &<>()@^|
        # are themselves. (From memory of both pages.)
        (r"C:\plans\beetle.yaml", r"C:\plans\beetle.yaml"),
        (r"C:\my plans\beetle.yaml", r'"C:\my plans\beetle.yaml"'),
        ("a&calc.yaml", '"a&calc.yaml"'),
        ("a;calc.yaml", '"a;calc.yaml"'),
        ("$(calc).yaml", '"`$(calc).yaml"'),
        ("`calc`.yaml", '"``calc``.yaml"'),
        ("a\u201d;calc;\u201c.yaml", '"a`\u201d;calc;`\u201c.yaml"'),
        ("--go", "./--go"),
    ],
)
def test_the_two_shells_of_windows_make_one_word_of_it(name, typed):
    assert as_typed(name, windows=True) == typed


@given(st.text())
def test_no_sign_that_commands_a_terminal_gets_through(text):
    """C0, DEL and C1 of ISO/IEC 6429 but line end and tabulator; the bidirectional controls of Unicode, UAX #9."""
    shown = harmless(text)
    assert len(shown) == len(text)
    assert not any(ord(sign) < 0x20 and sign not in "\n\t" for sign in shown)
    assert not any(0x7F <= ord(sign) <= 0x9F for sign in shown)
    assert not set(shown) & set("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
    assert len(one_line(text).splitlines()) <= 1


def test_words_of_people_stay_as_they_are():
    """Letters of any script, joiners of Persian and Hindi, a space that does not break."""
    for text in ("K\u00e4fer", "\u7532\u866b", "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645", "12\u00a0mm"):
        assert harmless(text) == one_line(text) == text
