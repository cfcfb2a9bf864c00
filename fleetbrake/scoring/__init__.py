"""From events to ranked vehicles, indicators and driver style; every number traceable to event ids."""
