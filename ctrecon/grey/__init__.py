"""Grey values of a stack: levels, noise, artefacts, the survey of the body, and squaring it up."""
