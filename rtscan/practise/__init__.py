"""Deals practice films, grades answers, keeps the history."""
