"""Reads many films and joins the films of a weld."""
