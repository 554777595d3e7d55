//! Harmonic balance, conversion matrices, noise conversion, perturbation orders.
