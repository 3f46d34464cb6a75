"""Pictures on matplotlib Axes."""
