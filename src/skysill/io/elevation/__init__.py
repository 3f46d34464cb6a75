"""Where elevations come from besides single files: the web, tiles by name, large folders; vertical datums."""
