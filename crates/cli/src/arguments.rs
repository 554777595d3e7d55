//! The table of commands; parser, help and shell completion come from it.

use clap::{Args, Parser, Subcommand, ValueEnum};
use quantity::{Capacitance, Quantity, QuantityError, Resistance, Temperature, Voltage};
use std::path::PathBuf;

/// Reviews of wideband balanced diode mixers: a design file goes in, the mixer's numbers come out.
#[derive(Debug, Parser)]
#[command(name = "mixwright", version, about, arg_required_else_help = true)]
#[command(after_help = "Exit codes: 0 done, 1 mistake in this program, 2 wrong command line, 3 wrong input, \
    4 a requirement is not met, 5 no solution found, 130 interrupted.")]
pub(crate) struct Arguments {
    #[command(flatten)]
    pub(crate) global: Global,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// Options of every command.
#[derive(Debug, Args)]
pub(crate) struct Global {
    /// Print the result as JSON
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// Folder for the files written
    #[arg(long, global = true, value_name = "FOLDER")]
    pub(crate) out: Option<PathBuf>,
    /// No progress and no remarks on standard error
    #[arg(long, short, global = true)]
    pub(crate) quiet: bool,
    /// Folder in which solved structures are kept; the cache folder of the user unless given
    #[arg(long, global = true, value_name = "FOLDER")]
    pub(crate) cache: Option<PathBuf>,
    /// Number of threads; all cores unless given
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub(crate) threads: Option<u16>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Write the built-in demonstration design and review it
    Demo {
        /// Also solve the baluns in three dimensions, review that design too, and compare both
        #[arg(long)]
        full: bool,
    },
    /// Review a design: every standard run, verdicts on the requirements, pictures
    Review {
        /// Design file
        design: PathBuf,
        /// Ledger whose learned model error becomes part of the bands
        #[arg(long, value_name = "FILE")]
        ledger: Option<PathBuf>,
    },
    /// Read a design, join its circuit and say whether everything is in order
    Check {
        /// Design file
        design: PathBuf,
    },
    /// Extract diode parameters from measured tables
    Fit(Fit),
    /// Draw the layouts of a design, solve their fields, check the results; write mask and network data
    Field(crate::commands::field::Field),
    /// Explain measured lots: which process, diode or bench deviations stand behind them
    Explain(crate::commands::explain::Explain),
    /// Look at a network data file: what is in it, may it be trusted; convert it
    Network(Network),
    /// Spread in fabrication: yield, contributions and corners from the process of a design
    Spread(crate::commands::spread::Spread),
    /// Freeze the promised numbers of a design with their bands, before anything is made
    Seal(crate::commands::seal::Seal),
    /// Compare measured lots with a seal: overlay, residuals, score card
    Lot(crate::commands::lot::Lot),
    /// The record of every comparison: append, verify, learn
    Ledger(crate::commands::ledger::Ledger),
    /// Make a signed model package of a design, to be handed to customers
    Pack(crate::commands::pack::Pack),
    /// Open a model package: is it intact, who signed it, where does it hold
    Open(crate::commands::open::Open),
    /// Review a model with filters, lines and terminations around it
    Surround(crate::commands::surround::Surround),
    /// What passive terminations can do to a model: ranges, envelopes, keep-out lengths
    Terminations(crate::commands::terminations::Terminations),
    /// Input frequencies at which products fall into the wanted band, ranked by level
    Intervals(crate::commands::intervals::Intervals),
    /// Noise figure, intercepts and level through a row of stages
    Chain(crate::commands::chain::Chain),
    /// Datasheet of a model as PDF and HTML: typical and guaranteed values, curves, spur tables, application page
    Datasheet(crate::commands::datasheet::Datasheet),
    /// A model for other programs: spur table, pumped scattering, Verilog-A module with its check
    Export(crate::commands::export::Export),
    /// Print a completion script for a shell
    Completion {
        /// Which shell
        shell: clap_complete::Shell,
    },
}

#[derive(Debug, Args)]
pub(crate) struct Fit {
    /// Comma-separated table with columns I_A and V_V (forward, ampere and volt)
    #[arg(long, value_name = "FILE", required_unless_present = "capacitance")]
    pub(crate) current: Option<PathBuf>,
    /// Comma-separated table with columns V_V and C_F (forward voltage positive, volt and farad)
    #[arg(long, value_name = "FILE")]
    pub(crate) capacitance: Option<PathBuf>,
    /// Junction temperature during the measurement, for example "25 degC"
    #[arg(long, value_parser = unit::<Temperature>, required_unless_present = "capacitance", requires = "current")]
    pub(crate) temperature: Option<Temperature>,
    /// Standard deviation of the voltages; estimated from the residuals unless given
    #[arg(long, value_parser = unit::<Voltage>, value_name = "VOLTAGE", requires = "current")]
    pub(crate) voltage_sigma: Option<Voltage>,
    /// Standard deviation of the capacitances; estimated from the residuals unless given
    #[arg(long, value_parser = unit::<Capacitance>, value_name = "CAPACITANCE", requires = "capacitance")]
    pub(crate) capacitance_sigma: Option<Capacitance>,
}

#[derive(Debug, Args)]
pub(crate) struct Network {
    /// Network data file (.sNp or .ts)
    pub(crate) file: PathBuf,
    /// Accept what is common but not in the standard, with a remark
    #[arg(long)]
    pub(crate) lenient: bool,
    /// Write the data again, in this edition of the standard
    #[arg(long, value_name = "EDITION")]
    pub(crate) convert: Option<Edition>,
    /// Renormalise to this resistance before writing, for example "50 ohm"
    #[arg(long, value_parser = unit::<Resistance>, requires = "convert")]
    pub(crate) reference: Option<Resistance>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Edition {
    /// Version 1, one reference for all ports
    #[value(name = "1")]
    One,
    /// Version 2, any references
    #[value(name = "2")]
    Two,
}

pub(crate) fn unit<Q: Quantity>(text: &str) -> Result<Q, QuantityError> {
    text.parse()
}
