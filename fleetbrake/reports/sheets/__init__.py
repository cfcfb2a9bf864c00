"""One page to print: for the workshop, for the talk with a driver."""
