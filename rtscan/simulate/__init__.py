"""Follows the photon from a recipe to a film and its answer key. Imports no reader."""
