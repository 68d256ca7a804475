"""Rule sets: one TOML file each, and how they are read."""
