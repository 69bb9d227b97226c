"""What is said before anybody eats koji."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    "kojimon cannot tell whether koji is safe to eat: a curve within limits says nothing about germs. Bacteria that "
    "make people ill (Staphylococcus aureus, Bacillus cereus) grow over the whole range koji is grown at (FDA, Bad Bug "
    "Book, factors affecting growth).",
    "Look and smell first. Never taste to test a doubtful batch. A good smell does not prove it safe.",
    "Throw it out when it is slimy, black, blue, grey, pink, red or orange, or smells of ammonia, sulphur or rot.",
    "Yellow or green bloom is the mould making spores: it ran too long. The dust can start an allergy: wear a "
    "well-fitting FFP2 or N95 mask. With asthma or a weak immune system let somebody else handle it.",
    "Only starter sold for food. Mould found in nature may be a poisonous kin that looks the same.",
    "When in doubt, throw it out. Local food rules come first.",
)
