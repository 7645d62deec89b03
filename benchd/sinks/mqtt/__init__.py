"""Events to a broker, in order, nothing twice."""
