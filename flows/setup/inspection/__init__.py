"""Looks over the set-up and lists what to fix; may import what ``flows.setup`` may, not its other rooms."""
