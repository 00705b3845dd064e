"""What the screens are made of, one idea a module. The pure ones draw without Textual."""
