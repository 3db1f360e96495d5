"""The Skerrow Pump Works, invented: the scenario and the story the demo tells."""
