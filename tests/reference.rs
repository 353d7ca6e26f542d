//! Small arrays against `OpenCV`, `SciPy` and scikit-image: blur, shrinking, sampling, unwrapping, areas.
//!
//! Values were made by Python 3 with opencv-python 5.0.0, scipy 1.17.1 and scikit-image 0.26.0. The
//! lines that made them stand beside them and share these:
//!
//! ```python
//! import cv2, math, numpy as np
//! from scipy import ndimage
//! from skimage.transform import warp_polar
//! def picture(w, h):
//!     y, x = np.mgrid[:h, :w]
//!     return ((3 * x * x + 7 * x * y + 11 * y * y) % 251).astype(np.float64)
//! b = picture(9, 8)
//! ```

use endgrain::outline::WoodEdge;
use endgrain::photo::Photo;
use endgrain::pith::Pith;
use endgrain::plane::{Plane, RowBorder};
use endgrain::polar::{self, RAYS};
use endgrain::reading::{OutlineState, PithState};
use endgrain::ring_area::equivalent_radius_px;
use endgrain::settings::Settings;
use image::{Rgb, RgbImage};

/// `picture(w, h)` of the head of this file.
fn level(x: usize, y: usize) -> u8 {
    u8::try_from((3 * x * x + 7 * x * y + 11 * y * y) % 251).expect("below 251")
}

fn picture(width: usize, height: usize) -> Plane {
    let at = |i: usize| f32::from(level(i % width, i / width));
    Plane {
        width,
        height,
        data: (0..width * height).map(at).collect(),
    }
}

fn near(ours: &[f32], theirs: &[f64], most: f64) {
    assert_eq!(ours.len(), theirs.len());
    for (i, (a, b)) in ours.iter().zip(theirs).enumerate() {
        assert!(
            (f64::from(*a) - b).abs() <= most,
            "value {i}: {a}, reference {b}"
        );
    }
}

/// `cv2.GaussianBlur(b, (13, 7), sigmaX=2, sigmaY=1, borderType=cv2.BORDER_REPLICATE)`, rows 3 and 0.
#[test]
fn the_blur_with_going_on_borders_is_that_of_opencv() {
    let ours = picture(9, 8).blurred(2.0, 1.0, RowBorder::Repeat);
    near(
        ours.row(3),
        &[
            109.9411, 118.1617, 125.6560, 130.3532, 131.6264, 130.6369, 129.5622, 130.2238,
            132.9779,
        ],
        1e-3,
    );
    near(
        ours.row(0),
        &[
            13.3714, 21.3055, 33.5497, 50.2946, 70.6164, 92.2614, 112.0498, 127.1313, 136.3893,
        ],
        1e-3,
    );
}

/// `ndimage.gaussian_filter(b, (1, 2), mode=("wrap", "nearest"), radius=(3, 6))`, row 0.
#[test]
fn the_blur_with_rows_that_close_into_a_ring_is_that_of_scipy() {
    let ours = picture(9, 8).blurred(2.0, 1.0, RowBorder::Wrap);
    near(
        ours.row(0),
        &[
            37.6330, 48.2710, 60.8821, 74.3427, 87.9525, 100.8655, 111.5924, 118.8000, 122.4460,
        ],
        1e-3,
    );
}

/// `cv2.resize(picture(12, 6), (4, 3), interpolation=cv2.INTER_AREA)`.
#[test]
fn shrinking_by_whole_factors_is_the_area_mean_of_opencv() {
    let ours = picture(12, 6).shrunk(3, 2);
    assert_eq!((ours.width, ours.height), (4, 3));
    let theirs = [
        14.0000, 69.5000, 137.1667, 133.3333, 94.0000, 149.6667, 133.8333, 130.1667, 136.5000,
        108.6667, 134.8333, 89.5000,
    ];
    near(&ours.data, &theirs, 1e-3);
}

/// `ndimage.map_coordinates(b, [ys, xs], order=1, mode="nearest")`.
#[test]
fn values_between_samples_are_those_of_scipy() {
    let plane = picture(9, 8);
    let places = [
        (2.25, 3.5),
        (0.0, 0.0),
        (7.9, 6.1),
        (-1.0, 2.5),
        (12.0, 9.0),
    ];
    let ours: Vec<f32> = places.iter().map(|(x, y)| plane.sampled(*x, *y)).collect();
    near(
        &ours,
        &[177.0000, 0.0000, 157.0300, 71.5000, 119.0000],
        1e-3,
    );
}

/// `u = warp_polar(picture(41, 37), center=(17.6, 19.3), radius=15, output_shape=(720, 15), order=1,
/// preserve_range=True)`, at the places named: rows are half degrees clockwise as seen, columns px.
#[test]
fn the_unwrapped_disc_is_that_of_scikit_image() {
    let pixels = RgbImage::from_fn(41, 37, |x, y| {
        // Of grey the luminance is the grey, whatever its weights.
        Rgb([level(x as usize, y as usize); 3])
    });
    let photo = Photo {
        file: "grey.png".into(),
        sha256: String::new(),
        pixels,
    };
    let pith = Pith {
        x_px: 19.3,
        y_px: 17.6,
        sd_px: 0.0,
        state: PithState::Seen,
        agreement: 1.0,
    };
    let edge = WoodEdge {
        radius_px: vec![15.0; 360],
        in_photo: vec![true; 360],
        state: OutlineState::Wood,
        contrast: 1.0,
    };
    let unwrapped = polar::unwrap(&photo, &pith, &edge, &Settings::default());
    assert_eq!((unwrapped.plain.height, RAYS), (720, 720));
    let theirs = [
        ((0, 0), 103.7600),
        ((0, 14), 127.1800),
        ((1, 9), 144.7145),
        ((90, 5), 78.3220),
        ((133, 12), 120.3599),
        ((180, 14), 104.2400),
        ((270, 7), 83.8723),
        ((359, 11), 188.2919),
        ((444, 13), 110.9328),
        ((540, 14), 93.0600),
        ((719, 10), 137.0935),
    ];
    for ((ray, radius), value) in theirs {
        near(&[unwrapped.plain.at(radius, ray)], &[value], 2e-3);
    }
}

/// ```python
/// a = np.radians(np.arange(360)); r = 100 * (1 + 0.15 * np.cos(a - 0.4) + 0.05 * np.cos(3 * a))
/// c = np.stack([500 + r * np.cos(a), 400 + r * np.sin(a)], 1).astype(np.float32)
/// math.sqrt(cv2.contourArea(c) / math.pi)
/// ```
#[test]
fn the_equivalent_radius_is_that_of_the_area_opencv_measures() {
    let radii: Vec<Option<f64>> = (0..360)
        .map(|degree| {
            let a = f64::from(degree).to_radians();
            Some(100.0 * (1.0 + 0.15 * (a - 0.4).cos() + 0.05 * (3.0 * a).cos()))
        })
        .collect();
    let ours = equivalent_radius_px(&radii).expect("whole");
    // The polygon through the same points falls short by 0.0025 % of the radius.
    assert!((ours - 100.620335).abs() < 0.004, "{ours}");
}
