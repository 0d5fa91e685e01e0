"""The workshop plan: what is decided, checked, drilled, bought and done, in order."""
