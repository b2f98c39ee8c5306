"""What other features may want to know of a studio."""

from django.dispatch import Signal

#: A studio's level or tolerances were saved. Sent inside the saving transaction with `studio`; a receiver that judges
#: anything anew returns how many of its things came out differently.
judging_changed = Signal()
