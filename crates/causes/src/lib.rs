//! Which process, diode or bench deviations explain a disagreement.
