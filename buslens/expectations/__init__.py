"""A TOML file becomes roles and rules."""
