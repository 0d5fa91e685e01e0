"""Words every floor shares: errors, measured numbers, frames, flags."""
