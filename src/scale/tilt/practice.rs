//! The tilt of faces declared round, on practice discs: what the camera's tilt was is known, and so is
//! every diameter. Practice discs are as oval and lobed as logs are, so these figures say what the
//! declaration does to a face that is not quite round.

use super::{of_round, stretch};
use crate::demo::{self, Plan, Suite};

/// What `--round` makes of one disc.
struct Found {
    /// Tilt found, degrees; none where it was refused.
    tilt_deg: Option<f64>,
    /// Error of the diameters, root mean square over the azimuths, with the mean scale.
    even: f64,
    /// The same corrected.
    corrected: f64,
}

/// The wood's edge in the picture about the pith, px, and each diameter through it, mm, one a degree.
fn seen(plan: &Plan) -> (Vec<Option<f64>>, Vec<f64>) {
    let view = plan.view();
    let edge = |a: u32| {
        let azimuth = view.face_azimuth(f64::from(a).to_radians());
        let mm = plan.disc.edge_mm(azimuth);
        let [x, y] = view.to_picture(mm * azimuth.cos(), mm * azimuth.sin());
        (mm, (x - view.pith_px[0]).hypot(y - view.pith_px[1]))
    };
    let both: Vec<(f64, f64)> = (0..360).map(edge).collect();
    let across = (0..180).map(|a| both[a].0 + both[a + 180].0).collect();
    (both.iter().map(|(_, px)| Some(*px)).collect(), across)
}

fn look(plan: &Plan) -> Found {
    let (radius_px, across_mm) = seen(plan);
    let tilt = of_round(&radius_px);
    let px = |a: usize| radius_px[a].unwrap() + radius_px[a + 180].unwrap();
    let off = |is_corrected: bool| {
        let logs: Vec<f64> = (0..180)
            .map(|a| {
                let tilt = tilt.filter(|_| is_corrected);
                (px(a) * stretch(tilt, a as f64) / across_mm[a]).ln()
            })
            .collect();
        // The scale itself is another matter: the best even one is taken.
        let mean = logs.iter().sum::<f64>() / 180.0;
        (logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / 180.0).sqrt()
    };
    Found {
        tilt_deg: tilt.map(|tilt| tilt.foreshortening.acos().to_degrees()),
        even: off(false),
        corrected: off(true),
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Sixty practice discs at six tilts. An oval face is taken for a round one seen aslant: told here in
/// figures, and in the manual as a caution.
#[test]
fn a_face_declared_round_gains_where_the_tilt_is_more_than_its_own_oval() {
    let suites = [
        Suite::CleanConifer,
        Suite::CleanDiffuse,
        Suite::CleanRingPorous,
        Suite::Tight,
        Suite::Perspective,
    ];
    for tilt_deg in [0.0, 6.0, 12.0, 18.0, 24.0, 30.0] {
        let found: Vec<Found> = (0..60)
            .map(|i| demo::plan(suites[i as usize % 5], 90_402, i).tilted_deg(tilt_deg))
            .map(|plan| look(&plan))
            .collect();
        let tilts: Vec<f64> = found.iter().filter_map(|f| f.tilt_deg).collect();
        let refused = found.len() - tilts.len();
        let off = median(tilts.iter().map(|t| (t - tilt_deg).abs()).collect());
        let even = 100.0 * median(found.iter().map(|f| f.even).collect());
        let corrected = 100.0 * median(found.iter().map(|f| f.corrected).collect());
        let better = found.iter().filter(|f| f.corrected < f.even).count();
        eprintln!(
            "tilt {tilt_deg:>2} degrees: found {:>4.1} (median, {off:.1} off, {refused} refused); diameters {even:.2} % off with the mean scale, {corrected:.2} % corrected; better on {better} of 60",
            median(tilts)
        );
        if tilt_deg >= 24.0 {
            assert!(corrected < even && better > 40, "{tilt_deg}: {better}");
        }
    }
}

/// The same camera before a face that is round but for its pith's place: the edge of the innermost
/// rings of practice discs, which are grown round.
#[test]
fn of_a_face_that_is_round_the_tilt_is_found() {
    for tilt_deg in [6.0_f64, 12.0, 18.0, 24.0] {
        let mut worst: f64 = 0.0;
        for i in 0..10 {
            let plan = demo::plan(Suite::CleanConifer, 90_403, i).tilted_deg(tilt_deg);
            let view = plan.view();
            // A circle of nine tenths of the disc's mean radius, its middle a fifth of that off the pith.
            let radius = 0.9 * plan.disc.mean_mm[plan.disc.rings];
            let e = 0.2 * radius;
            let edge: Vec<Option<f64>> = (0..360)
                .map(|a| {
                    let azimuth = view.face_azimuth(f64::from(a).to_radians());
                    let (sin, cos) = azimuth.sin_cos();
                    let mm = e * cos + (radius * radius - (e * sin).powi(2)).sqrt();
                    let [x, y] = view.to_picture(mm * cos, mm * sin);
                    Some((x - view.pith_px[0]).hypot(y - view.pith_px[1]))
                })
                .collect();
            let tilt = of_round(&edge).unwrap();
            let drawn = (plan.camera.axis.to_degrees() + 90.0).rem_euclid(180.0);
            worst = worst.max((tilt.foreshortening.acos().to_degrees() - tilt_deg).abs());
            let turned = super::crossing_deg(tilt.azimuth_deg, drawn);
            assert!(turned < 3.0, "{tilt_deg}: {turned}");
        }
        eprintln!("round face, tilt {tilt_deg}: at most {worst:.2} degrees off");
        assert!(worst < 1.0, "{tilt_deg}: {worst}");
    }
}
