//! The three-port nonlinear model a customer can run, and its surroundings.
