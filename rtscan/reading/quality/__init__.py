"""Is the film fit to judge, and what could it have shown?"""
