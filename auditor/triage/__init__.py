"""From a complaint to a decision: pure functions on what an audit and the evidence say of one system."""
