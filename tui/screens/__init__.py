"""The screens of the terminal app, one a module."""
