"""What other features may want to know of takes."""

from django.dispatch import Signal

#: Once a day, for whoever keeps sound of takes that nobody may need any more; a receiver returns how many files went.
tidying = Signal()
