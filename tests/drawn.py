"""What tests draw text from. Hypothesis' own default names a codec, whose characters it finds by trying all of Unicode:
nine seconds of processor time in each test process of a fresh clone."""

from __future__ import annotations

from hypothesis import strategies as st

__all__ = ["CHARACTERS"]

CHARACTERS = st.characters(exclude_categories=["Cs"])
"""All that UTF-8 can write."""

st.register_type_strategy(str, st.text(CHARACTERS))
