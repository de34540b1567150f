"""The guide: short pages for people who build; in the repository, the browser and a terminal."""
