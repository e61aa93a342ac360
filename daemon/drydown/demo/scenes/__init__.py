"""The invented coast of the demo: one scene a file, each computed from a seed as linear light, and the tools they share."""
