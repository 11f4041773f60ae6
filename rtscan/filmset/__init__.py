"""Reads many films and joins the films of a weld: manifest, run (resumable), join, summary."""
