"""What a maker does with a measured part: stock it may have been cut from, schemes it may have been laid out by."""
