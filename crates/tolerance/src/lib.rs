//! Process variables at lot, wafer, tile and diode level: sampling, spread, yield.
