"""What the workshop refuses."""

from ctrecon.core.errors import InputError

__all__ = ["PlanError"]


class PlanError(InputError):
    """A plan that cannot be made, with what limits it."""
