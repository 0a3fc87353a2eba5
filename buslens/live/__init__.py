"""A capture while it grows: frames come in little by little, and what can be said already is said."""
