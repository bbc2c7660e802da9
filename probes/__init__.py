"""Goes and looks: one file a subject, each brings back evidence and never judges."""
