"""The assembly: which parts stack how, what they share, and what the shop has and does."""
