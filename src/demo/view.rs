//! The camera of a practice photo: between the disc's plane and the picture.
//!
//! A pinhole looks at a flat face. The map between the face (mm, pith at the origin, y down) and the
//! picture (px) is then a homography, which takes lines to lines: a ray from the pith on the face is
//! a ray from the pith in the picture, so truth along a picture's azimuth needs no search. (Standard
//! projective geometry: Hartley and Zisserman 2004, "Multiple View Geometry", chapter 2.)

use super::growth::{AZIMUTHS, Disc};
use std::f64::consts::TAU;

/// A 3 x 3 homography, rows first.
type Matrix = [[f64; 3]; 3];

/// The draws of the camera, independent of the picture's size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Camera {
    /// How much of the frame's tighter direction the disc fills; above 1 it is cut by the frame.
    pub(crate) fill: f64,
    /// Shift of the disc's middle, as shares of the frame's short side.
    pub(crate) shift: [f64; 2],
    /// Angle between the line of sight and the face's normal, rad.
    pub(crate) tilt: f64,
    /// Direction of the tilt's axis in the picture, rad.
    pub(crate) axis: f64,
    /// Focal length as a multiple of the frame's long side.
    pub(crate) focal: f64,
}

/// The map for one picture size.
#[derive(Debug, Clone)]
pub(crate) struct View {
    forward: Matrix,
    inverse: Matrix,
    /// The pith in the picture, px.
    pub(crate) pith_px: [f64; 2],
    /// Scale at the pith, mm a px (geometric mean of both directions).
    pub(crate) mm_per_px: f64,
}

fn apply(m: &Matrix, x: f64, y: f64) -> [f64; 2] {
    let w = m[2][0] * x + m[2][1] * y + m[2][2];
    [
        (m[0][0] * x + m[0][1] * y + m[0][2]) / w,
        (m[1][0] * x + m[1][1] * y + m[1][2]) / w,
    ]
}

fn product(a: &Matrix, b: &Matrix) -> Matrix {
    let mut out = [[0.0; 3]; 3];
    for (i, row) in out.iter_mut().enumerate() {
        for (j, value) in row.iter_mut().enumerate() {
            *value = (0..3).map(|k| a[i][k] * b[k][j]).sum();
        }
    }
    out
}

/// Inverse by cofactors; a camera's homography is never singular, its tilt being under 90 degrees.
fn inverse(m: &Matrix) -> Matrix {
    let cofactor = |i: usize, j: usize| {
        let (a, b, c, d) = ((i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: f64 = (0..3).map(|j| m[0][j] * cofactor(0, j)).sum();
    let mut out = [[0.0; 3]; 3];
    for (i, row) in out.iter_mut().enumerate() {
        for (j, value) in row.iter_mut().enumerate() {
            *value = cofactor(j, i) / determinant;
        }
    }
    out
}

fn bounds(points: impl Iterator<Item = [f64; 2]>) -> [f64; 4] {
    points.fold(
        [f64::MAX, f64::MAX, f64::MIN, f64::MIN],
        |[l, t, r, b], [x, y]| [l.min(x), t.min(y), r.max(x), b.max(y)],
    )
}

impl View {
    /// The view of a disc in a frame of `width` x `height` px.
    pub(crate) fn of(disc: &Disc, bark_mm: f64, camera: &Camera, width: f64, height: f64) -> Self {
        let rim: Vec<[f64; 2]> = (0..AZIMUTHS)
            .map(|i| {
                let angle = i as f64 / AZIMUTHS as f64 * TAU;
                let r = disc.edge_mm(angle) + bark_mm;
                [r * angle.cos(), r * angle.sin()]
            })
            .collect();
        let [l, t, r, b] = bounds(rim.iter().copied());
        let (s, c) = (camera.axis.sin(), camera.axis.cos());
        let focal_px = camera.focal * width.max(height);
        let tilt = |scale: f64| -> Matrix {
            let centre: Matrix = [
                [scale, 0.0, -scale * f64::midpoint(l, r)],
                [0.0, scale, -scale * f64::midpoint(t, b)],
                [0.0, 0.0, 1.0],
            ];
            let turn: Matrix = [[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]];
            let lean: Matrix = [
                [1.0, 0.0, 0.0],
                [0.0, camera.tilt.cos(), 0.0],
                [0.0, camera.tilt.sin() / focal_px, 1.0],
            ];
            let back: Matrix = [[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]];
            product(&back, &product(&lean, &product(&turn, &centre)))
        };
        // Tilt changes the outline's size and the size changes the perspective: settled in a few
        // rounds, each a small correction.
        let mut scale = camera.fill * (width / (r - l)).min(height / (b - t));
        let mut tilted = tilt(scale);
        for _ in 0..4 {
            let [l, t, r, b] = bounds(rim.iter().map(|p| apply(&tilted, p[0], p[1])));
            scale *= camera.fill * (width / (r - l)).min(height / (b - t));
            tilted = tilt(scale);
        }
        let [l, t, r, b] = bounds(rim.iter().map(|p| apply(&tilted, p[0], p[1])));
        let short = width.min(height);
        let place: Matrix = [
            [
                1.0,
                0.0,
                (width - 1.0) / 2.0 - f64::midpoint(l, r) + camera.shift[0] * short,
            ],
            [
                0.0,
                1.0,
                (height - 1.0) / 2.0 - f64::midpoint(t, b) + camera.shift[1] * short,
            ],
            [0.0, 0.0, 1.0],
        ];
        let forward = product(&place, &tilted);
        let pith_px = apply(&forward, 0.0, 0.0);
        let step = 1e-3;
        let (px, py) = (apply(&forward, step, 0.0), apply(&forward, 0.0, step));
        let area = (px[0] - pith_px[0]) * (py[1] - pith_px[1])
            - (px[1] - pith_px[1]) * (py[0] - pith_px[0]);
        View {
            inverse: inverse(&forward),
            forward,
            pith_px,
            mm_per_px: step / area.abs().sqrt(),
        }
    }

    /// A point of the face (mm) in the picture (px).
    #[inline]
    pub(crate) fn to_picture(&self, x_mm: f64, y_mm: f64) -> [f64; 2] {
        apply(&self.forward, x_mm, y_mm)
    }

    /// A point of the picture (px) on the face (mm).
    #[inline]
    pub(crate) fn to_face(&self, x_px: f64, y_px: f64) -> [f64; 2] {
        apply(&self.inverse, x_px, y_px)
    }

    /// The face's azimuth (rad) that a picture's azimuth (rad) about the pith runs along.
    pub(crate) fn face_azimuth(&self, picture_azimuth: f64) -> f64 {
        let [x, y] = self.to_face(
            self.pith_px[0] + picture_azimuth.cos(),
            self.pith_px[1] + picture_azimuth.sin(),
        );
        y.atan2(x)
    }

    /// The picture's azimuth (degrees, 0 to 360) about the pith that a face's azimuth runs along.
    pub(crate) fn picture_azimuth_deg(&self, face_azimuth: f64) -> f64 {
        let [x, y] = self.to_picture(face_azimuth.cos(), face_azimuth.sin());
        (y - self.pith_px[1])
            .atan2(x - self.pith_px[0])
            .to_degrees()
            .rem_euclid(360.0)
    }
}
