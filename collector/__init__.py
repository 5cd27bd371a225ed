"""From attached phones to journals of what they said; the only package that talks to phones."""
