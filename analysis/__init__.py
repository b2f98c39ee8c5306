"""Sound in, report out: hears chanter fingering in a recording. Knows nothing of Django, databases or networks."""
