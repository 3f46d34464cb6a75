"""What stands against the sky: readings, terrain, obstacles, each giving a Silhouette."""
