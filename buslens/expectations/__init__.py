"""An expectations file becomes rules."""
