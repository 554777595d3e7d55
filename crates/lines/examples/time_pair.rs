//! Time of a stacked pair in four layers under a lid: solution, all derivatives, one frequency of losses.

use mixwright_lines::{
    Conductor, CrossSection, Filling, LineSettings, LinesError, Motion, Surface, skin_depth, solve_lines,
};
use std::io::Write;
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let gold = Surface::smooth(4.1e7);
    let lower = Conductor::strip("lower", [-20e-6, 20e-6], [200e-6, 203e-6], gold);
    let upper = Conductor::strip("upper", [-16e-6, 16e-6], [218e-6, 221e-6], gold);
    let silica = Filling { eps_r: 3.8, loss_tangent: 2e-4 };
    let polymer = Filling { eps_r: 2.9, loss_tangent: 4e-3 };
    let layers = [(200e-6, silica), (227e-6, polymer), (727e-6, Filling::lossless(1.0))];
    let open = CrossSection::over_ground(&layers, vec![lower, upper]);
    let section = CrossSection { lid: Some((727e-6, gold)), ground: Some(gold), ..open };
    let mut out = std::io::stdout().lock();
    for tolerance in [1e-3, 1e-4, 1e-5] {
        let start = Instant::now();
        let (solution, report) = solve_lines(&section, &LineSettings { tolerance, ..LineSettings::default() })?;
        let solved = start.elapsed();
        let motions = [
            Motion::width(&section, 0),
            Motion::width(&section, 1),
            Motion::shift(&section, 1),
            Motion::lift(&section, 218e-6),
            Motion::lift(&section, 200e-6),
            Motion::permittivity(&section, 1),
        ];
        let derivatives = motions.iter().map(|m| solution.derivative(m)).collect::<Result<Vec<_>, LinesError>>()?;
        let with_derivatives = start.elapsed();
        let loss = solution.at(28e9)?;
        writeln!(
            out,
            "tolerance {tolerance:.0e}: {} unknowns, {} rounds, estimate {:.1e}, solved {solved:.1?}, \
             with {} derivatives {with_derivatives:.1?}, with losses at 28 GHz {:.1?}; R11 {:.1} ohm/m, delta {:.2} um",
            report.unknowns,
            report.iterations,
            report.residual,
            derivatives.len(),
            start.elapsed(),
            loss.r[(0, 0)],
            skin_depth(gold, 28e9) * 1e6
        )?;
    }
    Ok(())
}
