"""From the plan to the floor: dimensions, sheets, allowed deviations, the bay as it was built."""
