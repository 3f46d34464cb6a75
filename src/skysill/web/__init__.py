"""The whole job for a browser: pages and an API on this machine, over the same functions as the commands."""
