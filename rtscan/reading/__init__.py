"""From pixels to indications in millimetres: one file per verb, in the order of the design."""
