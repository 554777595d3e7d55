//! Field picture as an unstructured-grid XML file for general viewers.
//!
//! One wedge cell for each prism that holds matter, with real and imaginary part of the electric
//! field (V/m, peak) at its centre and the index of its medium. The current on metal follows from
//! the field of the neighbouring cells. Source: VTK file formats, XML UnstructuredGrid, cell type 13.

use crate::element::{barycentric_gradients, plane_values};
use crate::solution::{Driven, solve_system};
use crate::{Order, VolumeError};
use numerics::{Complex64, Watch};
use std::fmt::Write;

impl Driven {
    /// File text with the field of a wave of one watt (average power) into port `port_idx`.
    pub fn field_file(&mut self, freq_hz: f64, port_idx: usize, watch: &dyn Watch) -> Result<String, VolumeError> {
        let fields = self.cell_fields(freq_hz, port_idx, watch)?;
        let mesh = &self.model().mesh;
        let cells: Vec<(usize, usize)> = matter(mesh).collect();
        let n_points = mesh.plan.points.len();
        let mut text = String::new();
        let header = "<?xml version=\"1.0\"?>\n<VTKFile type=\"UnstructuredGrid\" version=\"0.1\" byte_order=\"LittleEndian\">\n<UnstructuredGrid>\n";
        text.push_str(header);
        let _ = writeln!(
            text,
            "<Piece NumberOfPoints=\"{}\" NumberOfCells=\"{}\">",
            n_points * mesh.n_levels(),
            cells.len()
        );
        text.push_str("<Points>\n<DataArray type=\"Float64\" NumberOfComponents=\"3\" format=\"ascii\">\n");
        for z in &mesh.levels_m {
            for p in &mesh.plan.points {
                let _ = writeln!(text, "{:e} {:e} {z:e}", p[0], p[1]);
            }
        }
        text.push_str(
            "</DataArray>\n</Points>\n<Cells>\n<DataArray type=\"Int64\" Name=\"connectivity\" format=\"ascii\">\n",
        );
        for &(t, l) in &cells {
            let [a, b, c] = mesh.plan.triangles[t].map(|v| v as usize + l * n_points);
            let _ = writeln!(text, "{a} {b} {c} {} {} {}", a + n_points, b + n_points, c + n_points);
        }
        text.push_str("</DataArray>\n<DataArray type=\"Int64\" Name=\"offsets\" format=\"ascii\">\n");
        (1..=cells.len()).for_each(|k| {
            let _ = writeln!(text, "{}", 6 * k);
        });
        text.push_str("</DataArray>\n<DataArray type=\"UInt8\" Name=\"types\" format=\"ascii\">\n");
        cells.iter().for_each(|_| text.push_str("13\n"));
        text.push_str("</DataArray>\n</Cells>\n<CellData Vectors=\"E_real_V_per_m\">\n");
        for (name, part) in [("E_real_V_per_m", 0), ("E_imag_V_per_m", 1)] {
            let _ = writeln!(
                text,
                "<DataArray type=\"Float64\" Name=\"{name}\" NumberOfComponents=\"3\" format=\"ascii\">"
            );
            for e in &fields {
                let [x, y, z] = e.map(|c| if part == 0 { c.re } else { c.im });
                let _ = writeln!(text, "{x:e} {y:e} {z:e}");
            }
            text.push_str("</DataArray>\n");
        }
        text.push_str("<DataArray type=\"Int32\" Name=\"medium\" format=\"ascii\">\n");
        for &(t, l) in &cells {
            let _ = writeln!(text, "{}", mesh.medium(t, l).unwrap_or_default());
        }
        text.push_str("</DataArray>\n</CellData>\n</Piece>\n</UnstructuredGrid>\n</VTKFile>\n");
        Ok(text)
    }

    /// Electric field (V/m, peak) at the centre of every prism that holds matter, for a wave of one
    /// watt (average power) into port `port_idx`.
    pub fn cell_fields(
        &mut self,
        freq_hz: f64,
        port_idx: usize,
        watch: &dyn Watch,
    ) -> Result<Vec<[Complex64; 3]>, VolumeError> {
        let system = self.system(freq_hz)?;
        if port_idx >= system.ports.len() {
            return Err(VolumeError::Port {
                what: format!("expected a port below {}, found index {port_idx}", system.ports.len()),
            });
        }
        let (_, fields) = solve_system(&system, freq_hz, watch)?;
        let raw = system.space.raw_values(&fields[port_idx]);
        let mesh = &system.model.mesh;
        let order = system.space.order;
        // A unit wave carries half a watt.
        let scale = std::f64::consts::SQRT_2;
        let third = [1.0 / 3.0; 3];
        let up = [0.5, 0.5, 1.0];
        Ok(matter(mesh)
            .map(|(t, l)| {
                let v = plane_values(third, barycentric_gradients(mesh.plan.corners(t)));
                let places = system.space.prism(mesh, t, l);
                let (nc, nn) = (order.n_curl(), order.n_node());
                let (nu, nf) = (order.n_up(), order.n_flat());
                let mut e = [Complex64::default(); 3];
                for c in 0..nc {
                    for a in 0..nu {
                        let x = raw[places[c * nu + a]] * up[a] * scale;
                        e[0] += x * v.curl_functions[c][0];
                        e[1] += x * v.curl_functions[c][1];
                    }
                }
                // The second flat function vanishes at half height.
                for n in 0..nn {
                    e[2] += raw[places[nc * nu + n * nf]] * v.nodes[n] * scale / mesh.height(l);
                }
                debug_assert!(order == Order::Second || nn == 3);
                e
            })
            .collect())
    }
}

fn matter(mesh: &crate::PrismMesh) -> impl Iterator<Item = (usize, usize)> + '_ {
    let all = (0..mesh.plan.triangles.len()).flat_map(|t| (0..mesh.n_layers()).map(move |l| (t, l)));
    all.filter(|&(t, l)| mesh.medium(t, l).is_some())
}
