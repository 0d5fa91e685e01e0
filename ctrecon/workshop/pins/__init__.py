"""Register pins: their sizes and tapered holes, where they may go, and which way round the plates then fit."""
