"""The guide: short pages for people who build, readable in the repository, in the browser and in a terminal."""
