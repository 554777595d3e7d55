//! Shapes, rules and mask data.

use mixwright_stackup::generators::{
    CoupledStrip, LaunchNumbers, Outside, SiteNumbers, ViaKind, axis_length_m, coupled_section, diode_site,
    edge_launch, folded_axis, pad, stub, taper, trace, via_field,
};
use mixwright_stackup::{
    Area, Corner, Enclosure, LayerMap, Layout, Polygon, Port, PortPlace, Rule, Shape, Side, StackupError, Wall,
    check_rules, read_gds, write_gds,
};
use proof::{CheckValue, Origin};

const UM: f64 = 1e-6;

fn check(what: &str, found: f64, expected: f64, within: f64) {
    let origin = Origin::Derived { how: "plane geometry" };
    CheckValue { what, expected, within, because: "rounding to the mask grid at most", origin }.check(found);
}

fn shape(layer: &str, polygon: Polygon) -> Shape {
    Shape { layer: layer.into(), name: "part".into(), polygon }
}

fn layout(shapes: Vec<Shape>, ports: Vec<Port>) -> Layout {
    let enclosure = Enclosure { low: [0.0, 0.0], high: [1000.0 * UM, 1000.0 * UM], walls: [Wall::Metal; 4] };
    Layout { name: "test".into(), shapes, vias: Vec::new(), ports, enclosure }
}

#[test]
fn traces_have_the_area_of_their_centre_line() -> Result<(), StackupError> {
    let axis = [[0.0, 0.0], [100.0 * UM, 0.0], [100.0 * UM, 80.0 * UM]];
    let sharp = trace(&axis, 10.0 * UM, Corner::Sharp, 0.0)?;
    // both bends of the edges: the outer gains what the inner loses
    check("sharp bend, um²", sharp.area_m2() * 1e12, 1800.0, 1e-6);
    let mitred = trace(&axis, 10.0 * UM, Corner::Mitred(0.5), 0.0)?;
    // half the diagonal cut: triangle of sides equal to the width
    check("mitred bend, um²", mitred.area_m2() * 1e12, 1750.0, 1e-6);
    assert_eq!(mitred.corners().len(), 7);
    let longer = trace(&axis, 10.0 * UM, Corner::Sharp, 5.0 * UM)?;
    check("lengthened ends, um²", longer.area_m2() * 1e12, 1900.0, 1e-6);
    assert!(trace(&axis[..1], 1.0, Corner::Sharp, 0.0).is_err());
    assert!(trace(&[[0.0, 0.0], [1.0, 0.0], [0.0, 0.0]], 0.1, Corner::Sharp, 0.0).is_err(), "turns back");
    // 52 % + 65 % exp(−1.35 w/h) at w = h
    let Corner::Mitred(share) = Corner::compensated(1.0, 1.0) else { panic!("a mitre") };
    check("compensated mitre", share, 0.6885, 1e-4);
    Ok(())
}

#[test]
fn folds_keep_their_length_and_coupled_strips_their_distance() -> Result<(), StackupError> {
    let axis = folded_axis([0.0, 0.0], 1510.0 * UM, 3, 120.0 * UM)?;
    check("length of the fold, um", axis_length_m(&axis) / UM, 1510.0, 1e-9);
    assert!(folded_axis([0.0, 0.0], 100.0 * UM, 3, 120.0 * UM).is_err());
    let strip = |layer: &str, width: f64, offset: f64| CoupledStrip {
        layer: layer.into(),
        name: layer.into(),
        width_m: width * UM,
        offset_m: offset * UM,
    };
    let stacked = coupled_section(&axis, &[strip("M1", 40.0, 0.0), strip("M2", 32.0, 0.0)], Corner::Sharp)?;
    let (lower, upper) = (Area::of([&stacked[0].polygon].into_iter())?, Area::of([&stacked[1].polygon].into_iter())?);
    assert!(upper.difference(&lower).is_empty(), "the upper strip lies over the lower one everywhere");
    let beside = coupled_section(&axis, &[strip("M1", 20.0, 15.0), strip("M1", 20.0, -15.0)], Corner::Sharp)?;
    let lines = layout(beside.iter().map(|s| shape("M1", moved(&s.polygon, [300.0, 300.0]))).collect(), Vec::new());
    let space = |min: f64| check_rules(&lines, &[Rule::Space { layer: "M1".into(), min_m: min * UM }]);
    assert!(space(10.0)?.is_empty());
    assert!(space(10.1)?.iter().all(|v| (v.found_m / UM - 10.0).abs() < 0.01) && !space(10.1)?.is_empty());
    Ok(())
}

fn moved(polygon: &Polygon, by_um: [f64; 2]) -> Polygon {
    polygon.mapped(|p| [p[0] + by_um[0] * UM, p[1] + by_um[1] * UM]).expect("a polygon stays one")
}

#[test]
fn stubs_tapers_pads_vias_sites_and_launches() -> Result<(), StackupError> {
    check("stub, um²", stub([0.0, 0.0], 90.0, 50.0 * UM, 8.0 * UM)?.area_m2() * 1e12, 400.0, 1e-6);
    check("taper, um²", taper([0.0; 2], 10.0 * UM, [20.0 * UM, 0.0], 30.0 * UM)?.area_m2() * 1e12, 400.0, 1e-6);
    let kind =
        ViaKind { from: "M0".into(), to: "M1".into(), material: "gold".into(), diameter_m: 150.0 * UM, n_corners: 16 };
    let vias = via_field("wall", [0.0, 0.0], [1000.0 * UM, 400.0 * UM], 200.0 * UM, &kind)?;
    assert_eq!(vias.len(), 5 * 2);
    assert!(via_field("wall", [0.0, 0.0], [100.0 * UM, 100.0 * UM], 200.0 * UM, &kind).is_err());
    let site = diode_site(&SiteNumbers {
        name: "D1".into(),
        layer: "M1".into(),
        centre: [500.0 * UM, 500.0 * UM],
        angle_deg: 90.0,
        gap_m: 60.0 * UM,
        pad_m: [80.0 * UM, 70.0 * UM],
        reference_ohm: 50.0,
    })?;
    let PortPlace::Gap { plus, minus } = &site.port.place else { panic!("an internal port") };
    // turned by a quarter: the anode is below
    check("gap, um", (minus.edge[0][1] - plus.edge[0][1]) / UM, 60.0, 1e-9);
    assert!(site.pads[0].polygon.contains([500.0 * UM, 430.0 * UM]));
    let launch = |outside| LaunchNumbers {
        name: "RF".into(),
        layer: "M2".into(),
        ground: "M0".into(),
        side: Side::East,
        wall_m: 1000.0 * UM,
        centre_m: 400.0 * UM,
        depth_m: 150.0 * UM,
        inner_width_m: 32.0 * UM,
        outside,
        reference_ohm: 50.0,
    };
    let (line, port) = edge_launch(&launch(Outside::Line { width_m: 60.0 * UM }))?;
    check("launch line, um²", line[0].polygon.area_m2() * 1e12, 6900.0, 1e-6);
    assert!(matches!(port.place, PortPlace::Wall { side: Side::East, .. }));
    let (metal, port) = edge_launch(&launch(Outside::Pad { pad_m: [80.0 * UM, 100.0 * UM], from_edge_m: 30.0 * UM }))?;
    let joined = Area::of(metal.iter().map(|s| &s.polygon))?;
    assert_eq!(joined.pieces().len(), 1, "pad and taper are one piece");
    assert!(matches!(port.place, PortPlace::Gap { .. }));
    Ok(())
}

#[test]
fn areas_join_and_keep_holes() -> Result<(), StackupError> {
    let square = |x: f64, y: f64, size: f64| pad([x * UM, y * UM], [size * UM, size * UM]);
    let (outer, inner, beside) = (square(0.0, 0.0, 10.0)?, square(0.0, 0.0, 4.0)?, square(10.0, 0.0, 10.0)?);
    let ring = Area::of([&outer].into_iter())?.difference(&Area::of([&inner].into_iter())?);
    check("ring, um²", ring.area_m2() * 1e12, 84.0, 1e-9);
    assert_eq!(ring.pieces()[0].len(), 2);
    assert!(!ring.contains([0.0, 0.0]) && ring.contains([4.0 * UM, 0.0]));
    let both = ring.union(&Area::of([&beside].into_iter())?);
    assert_eq!(both.pieces().len(), 1, "pieces that touch are one");
    check("together, um²", both.area_m2() * 1e12, 184.0, 1e-9);
    Ok(())
}

#[test]
fn rules_find_every_planted_fault_and_nothing_else() -> Result<(), StackupError> {
    let rectangle = |a: [f64; 2], b: [f64; 2]| {
        Polygon::rectangle([a[0] * UM, a[1] * UM], [b[0] * UM, b[1] * UM]).map(|p| shape("M1", p))
    };
    // a wide line with a 12 um neck, a neighbour at 15 um, one corner to corner at 14.1 um, one near the edge
    let shapes = vec![
        rectangle([100.0, 100.0], [200.0, 140.0])?,
        rectangle([200.0, 114.0], [230.0, 126.0])?,
        rectangle([230.0, 100.0], [330.0, 140.0])?,
        rectangle([100.0, 155.0], [330.0, 200.0])?,
        rectangle([340.0, 210.0], [400.0, 260.0])?,
        rectangle([500.0, 20.0], [600.0, 80.0])?,
    ];
    let rules = [
        Rule::Width { layer: "M1".into(), min_m: 20.0 * UM },
        Rule::Space { layer: "M1".into(), min_m: 20.0 * UM },
        Rule::Edge { layer: "M1".into(), min_m: 50.0 * UM },
    ];
    let found = check_rules(&layout(shapes.clone(), Vec::new()), &rules)?;
    let of = |k: usize| found.iter().filter(|v| v.rule == rules[k]).collect::<Vec<_>>();
    assert_eq!(of(0).len(), 1, "{found:#?}");
    check("neck, um", of(0)[0].found_m / UM, 12.0, 1e-6);
    assert!((of(0)[0].place[0][0] / UM - 215.0).abs() < 1.0, "marked in the middle of the neck");
    let mut spaces: Vec<f64> = of(1).iter().map(|v| v.found_m / UM).collect();
    spaces.sort_by(f64::total_cmp);
    assert!((spaces[0] - 200f64.sqrt()).abs() < 1e-3, "corner to corner {spaces:?}");
    assert!(spaces[1..].iter().all(|s| (s - 15.0).abs() < 1e-3) && spaces.len() >= 2, "{spaces:?}");
    assert_eq!(of(2).len(), 1);
    assert_eq!(of(2)[0].text().split(" at ").next(), Some("distance from the edge on `M1`"), "{}", of(2)[0].text());
    // the limits themselves are allowed
    let exact = [
        Rule::Width { layer: "M1".into(), min_m: 12.0 * UM },
        Rule::Space { layer: "M1".into(), min_m: 14.1 * UM },
        Rule::Edge { layer: "M1".into(), min_m: 20.0 * UM },
    ];
    assert!(check_rules(&layout(shapes, Vec::new()), &exact)?.is_empty());
    // a mitred bend of a wide line is neither narrow nor a notch
    let bend = trace(
        &[[100.0 * UM, 500.0 * UM], [300.0 * UM, 500.0 * UM], [300.0 * UM, 700.0 * UM]],
        40.0 * UM,
        Corner::Mitred(0.5),
        0.0,
    )?;
    assert!(check_rules(&layout(vec![shape("M1", bend)], Vec::new()), &rules)?.is_empty());
    Ok(())
}

#[test]
fn overlap_and_ports_at_the_edge() -> Result<(), StackupError> {
    let over = |layer: &str, a: f64, b: f64| {
        Polygon::rectangle([100.0 * UM, a * UM], [900.0 * UM, b * UM]).map(|p| shape(layer, p))
    };
    let wide = over("M1", 100.0, 140.0)?;
    let rule = [Rule::Overlap { inner: Some("M2".into()), outer: "M1".into(), min_m: 4.0 * UM }];
    let good = layout(
        vec![
            wide.clone(),
            shape("M2", trace(&[[110.0 * UM, 120.0 * UM], [890.0 * UM, 120.0 * UM]], 32.0 * UM, Corner::Sharp, 0.0)?),
        ],
        Vec::new(),
    );
    assert!(check_rules(&good, &rule)?.is_empty());
    let shifted = layout(vec![wide.clone(), over("M2", 101.5, 133.5)?], Vec::new());
    assert!(check_rules(&shifted, &rule)?.iter().any(|v| (v.found_m / UM - 1.5).abs() < 1e-3));
    let mut with_via = layout(vec![wide], Vec::new());
    let kind =
        ViaKind { from: "M0".into(), to: "M1".into(), material: "gold".into(), diameter_m: 50.0 * UM, n_corners: 16 };
    with_via.vias = via_field("v", [200.0 * UM, 95.0 * UM], [250.0 * UM, 145.0 * UM], 60.0 * UM, &kind)?;
    let via_rule = [Rule::Overlap { inner: None, outer: "M1".into(), min_m: 5.0 * UM }];
    assert!(!check_rules(&with_via, &via_rule)?.is_empty(), "a via wider than its metal");
    // a line that reaches the wall needs a port there
    let reaching = Polygon::rectangle([0.0, 500.0 * UM], [400.0 * UM, 540.0 * UM])?;
    let edge = [Rule::Edge { layer: "M1".into(), min_m: 50.0 * UM }];
    let place = PortPlace::Wall { side: Side::West, layer: "M1".into(), centre_m: 520.0 * UM, reference_shift_m: 0.0 };
    let port = Port { name: "RF".into(), place, reference_ohm: 50.0 };
    assert_eq!(check_rules(&layout(vec![shape("M1", reaching.clone())], Vec::new()), &edge)?.len(), 1);
    assert!(check_rules(&layout(vec![shape("M1", reaching)], vec![port]), &edge)?.is_empty());
    Ok(())
}

fn map() -> Vec<LayerMap> {
    [("M1", 10, 0), ("M2", 20, 0)]
        .map(|(layer, number, datatype)| LayerMap { layer: layer.into(), number, datatype })
        .to_vec()
}

#[test]
fn mask_data_comes_back_the_same() -> Result<(), StackupError> {
    let shapes = vec![
        shape("M1", trace(&folded_axis([0.0, 0.0], 1510.0 * UM, 3, 120.0 * UM)?, 40.0 * UM, Corner::Mitred(0.6), 0.0)?),
        shape("M2", Polygon::disc([-300.0 * UM, 77.7 * UM], 75.0 * UM, 64)?),
    ];
    let bytes = write_gds("balun pair", &shapes, &map())?;
    assert_eq!(bytes, write_gds("balun pair", &shapes, &map())?, "no clocks in the file");
    let back = read_gds(&bytes, &map())?;
    assert_eq!(back.structure, "balun_pair");
    assert_eq!(back.shapes.len(), 2);
    for (a, b) in shapes.iter().zip(&back.shapes) {
        assert_eq!(a.layer, b.layer);
        for (p, q) in a.polygon.corners().iter().zip(b.polygon.corners()) {
            assert!((p[0] - q[0]).abs() <= 0.501e-9 && (p[1] - q[1]).abs() <= 0.501e-9);
        }
    }
    // written again, the grid points stay where they are
    assert_eq!(write_gds("balun pair", &back.shapes, &map())?, bytes);
    let unmapped = read_gds(&bytes, &map()[..1])?;
    assert_eq!((unmapped.shapes.len(), unmapped.unmapped), (1, vec![(20, 0, 1)]));
    assert!(matches!(
        write_gds("x", &[shape("M9", Polygon::disc([0.0; 2], 1e-6, 8)?)], &map()),
        Err(StackupError::UnknownLayer { .. })
    ));
    Ok(())
}

/// A record: length, type, data type, data.
fn record(kind: u8, data_type: u8, data: &[u8]) -> Vec<u8> {
    let mut out = (data.len() as u16 + 4).to_be_bytes().to_vec();
    out.extend([kind, data_type]);
    out.extend(data);
    out
}

fn numbers(values: &[i32]) -> Vec<u8> {
    values.iter().flat_map(|v| v.to_be_bytes()).collect()
}

/// A library written by hand: a cell with a triangle and a path, referred to turned, mirrored and as an array.
#[test]
fn references_arrays_and_paths_are_resolved() -> Result<(), StackupError> {
    let units =
        [[0x3e, 0x41, 0x89, 0x37, 0x4b, 0xc6, 0xa7, 0xf0], [0x39, 0x44, 0xb8, 0x2f, 0xa0, 0x9b, 0x5a, 0x54]].concat();
    let ninety = [0x42, 0x5a, 0, 0, 0, 0, 0, 0];
    let triangle = numbers(&[0, 0, 3000, 0, 0, 1000, 0, 0]);
    let parts = [
        record(0x00, 2, &[2, 88]),
        record(0x01, 2, &[0; 24]),
        record(0x02, 6, b"LIB\0"),
        record(0x03, 5, &units),
        record(0x05, 2, &[0; 24]),
        record(0x06, 6, b"CELL"),
        record(0x08, 0, &[]),
        record(0x0d, 2, &[0, 10]),
        record(0x0e, 2, &[0, 0]),
        record(0x10, 3, &triangle),
        record(0x11, 0, &[]),
        record(0x09, 0, &[]),
        record(0x0d, 2, &[0, 20]),
        record(0x0e, 2, &[0, 0]),
        record(0x21, 2, &[0, 2]),
        record(0x0f, 3, &numbers(&[200])),
        record(0x10, 3, &numbers(&[0, 0, 1000, 0])),
        record(0x11, 0, &[]),
        record(0x07, 0, &[]),
        record(0x05, 2, &[0; 24]),
        record(0x06, 6, b"TOP\0"),
        record(0x0a, 0, &[]),
        record(0x12, 6, b"CELL"),
        record(0x1a, 1, &[0x80, 0]),
        record(0x1c, 5, &ninety),
        record(0x10, 3, &numbers(&[10_000, 20_000])),
        record(0x11, 0, &[]),
        record(0x0b, 0, &[]),
        record(0x12, 6, b"CELL"),
        record(0x13, 2, &[0, 3, 0, 2]),
        record(0x10, 3, &numbers(&[0, 0, 30_000, 0, 0, 10_000])),
        record(0x11, 0, &[]),
        record(0x07, 0, &[]),
        record(0x04, 0, &[]),
    ];
    let data = read_gds(&parts.concat(), &map())?;
    assert_eq!(data.structure, "TOP");
    assert_eq!(data.shapes.len(), 2 * (1 + 6));
    // mirrored about x, then turned: (3, 0) um goes to (0, 3), (0, 1) to (1, 0), and is shifted to (10, 20)
    let (low, high) = data.shapes[0].polygon.bounds();
    for (found, expected) in [(low[0], 10.0), (low[1], 20.0), (high[0], 11.0), (high[1], 23.0)] {
        check("mirrored and turned, um", found / UM, expected, 1e-9);
    }
    // the path of width 0.2 um with both ends lengthened by half of it
    check("path, um²", data.shapes[1].polygon.area_m2() * 1e12, 1.2 * 0.2, 1e-9);
    // last place of the array: two columns and one row on
    let (low, _) = data.shapes[12].polygon.bounds();
    check("array, um", low[0] / UM, 20.0, 1e-9);
    check("array, um", low[1] / UM, 5.0, 1e-9);
    // cut data and references that never end are refused with the place
    let cut = read_gds(&parts.concat()[..200], &map()).expect_err("cut").to_string();
    assert!(cut.starts_with("mask data, byte "), "{cut}");
    assert!(read_gds(b"not a mask", &map()).is_err());
    Ok(())
}

/// Whatever the bytes, the reader answers with shapes or with a reason.
#[test]
fn broken_mask_data_never_panics() -> Result<(), StackupError> {
    let shapes = [shape("M1", Polygon::disc([0.0; 2], 75.0 * UM, 16)?), shape("M2", pad([0.0; 2], [UM, UM])?)];
    let good = write_gds("x", &shapes, &map())?;
    let mut state = 1u64;
    let mut refused = 0;
    for _ in 0..3000 {
        let mut bytes = good.clone();
        for _ in 0..3 {
            // linear congruential numbers, Knuth, The Art of Computer Programming, vol. 2 (memory)
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let at = (state >> 33) as usize % bytes.len();
            bytes[at] = (state >> 25) as u8;
        }
        refused += usize::from(read_gds(&bytes, &map()).is_err());
    }
    assert!(refused > 100, "most damage is noticed, found {refused} of 3000");
    Ok(())
}
