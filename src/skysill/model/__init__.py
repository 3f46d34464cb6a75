"""What a job is given: site, mounts, terminal, satellites, criteria, survey, obstacles, roof forms."""
