"""From a measured chart to a printer's profile: checking the readings, fitting a smooth model, building, reporting. Knows no command line and no studio."""
