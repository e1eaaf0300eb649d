//! Where a surface place lands in the picture, and back.

use super::scene::{Capture, Scene};

/// Surface to picture and back. Pixel centres are at half-integers, origin top left, of the upright picture.
#[derive(Debug, Clone)]
pub struct Projection {
    /// Width and height of the upright picture, px.
    pub size_px: [usize; 2],
    forward: [[f64; 3]; 3],
    backward: [[f64; 3]; 3],
    distortion: f64,
    centre_px: [f64; 2],
    half_diagonal_px: f64,
    /// Undistorted over distorted radius, by the square of the distorted radius over the half diagonal.
    undistort: Vec<f64>,
}

impl Projection {
    /// The projection of a scene's capture.
    pub fn new(scene: &Scene) -> Self {
        match scene.capture {
            Capture::Scan { dpi, turn_deg, margin_mm } => {
                let scale = dpi.map(|dpi| dpi / 25.4);
                let (sin, cos) = turn_deg.to_radians().sin_cos();
                // `s` runs along (cos, sin) on a screen with y down, `y` to the left of it: along (sin, −cos).
                let turn = [[scale[0] * cos, scale[0] * sin], [scale[1] * sin, -scale[1] * cos]];
                let corners = outline(scene);
                let mut low = [f64::MAX; 2];
                let mut high = [f64::MIN; 2];
                for [s, y] in corners {
                    for axis in 0..2 {
                        let place = turn[axis][0] * s + turn[axis][1] * y;
                        low[axis] = low[axis].min(place - margin_mm * scale[axis]);
                        high[axis] = high[axis].max(place + margin_mm * scale[axis]);
                    }
                }
                let size_px = [0, 1].map(|axis| (high[axis] - low[axis]).ceil().max(1.0) as usize);
                let forward = [[turn[0][0], turn[0][1], -low[0]], [turn[1][0], turn[1][1], -low[1]], [0.0, 0.0, 1.0]];
                Self::from_matrix(size_px, forward, 0.0)
            }
            Capture::Photo { size_px, focal_px, distance_mm, aim_mm, turn_deg, tilt_deg, distortion } => {
                let (sin, cos) = turn_deg.to_radians().sin_cos();
                let [(sin_x, cos_x), (sin_y, cos_y)] = tilt_deg.map(|tilt| tilt.to_radians().sin_cos());
                // World: X along s, Y to the right of it, Z away from the viewer; turned in the picture, then tilted
                // about the picture's y axis and then its x axis.
                let world = [[cos, -sin], [sin, cos], [0.0, 0.0]];
                let about_y = world.map(|row| row);
                let about_y = [
                    [0, 1].map(|c| cos_y * about_y[0][c] + sin_y * about_y[2][c]),
                    about_y[1],
                    [0, 1].map(|c| -sin_y * about_y[0][c] + cos_y * about_y[2][c]),
                ];
                let tilted = [
                    about_y[0],
                    [0, 1].map(|c| cos_x * about_y[1][c] - sin_x * about_y[2][c]),
                    [0, 1].map(|c| sin_x * about_y[1][c] + cos_x * about_y[2][c]),
                ];
                let centre = [size_px[0] as f64 / 2.0, size_px[1] as f64 / 2.0];
                let mut camera = [[0.0; 3]; 3];
                for row in 0..3 {
                    // y is positive to the left, Y to the right
                    camera[row][0] = tilted[row][0];
                    camera[row][1] = -tilted[row][1];
                    camera[row][2] = -(camera[row][0] * aim_mm[0] + camera[row][1] * aim_mm[1]);
                }
                camera[2][2] += distance_mm;
                let mut forward = [[0.0; 3]; 3];
                for column in 0..3 {
                    for row in 0..2 {
                        forward[row][column] = focal_px * camera[row][column] + centre[row] * camera[2][column];
                    }
                    forward[2][column] = camera[2][column];
                }
                Self::from_matrix(size_px, forward, distortion)
            }
        }
    }

    fn from_matrix(size_px: [usize; 2], forward: [[f64; 3]; 3], distortion: f64) -> Self {
        let centre_px = size_px.map(|size| size as f64 / 2.0);
        let half_diagonal_px = centre_px[0].hypot(centre_px[1]);
        let undistort = (0..=1024)
            .map(|index| {
                let distorted = (f64::from(index) / 1024.0 * 1.44).sqrt();
                let mut radius = distorted;
                for _ in 0..20 {
                    radius = distorted / (1.0 + distortion * radius * radius);
                }
                if distorted > 0.0 { radius / distorted } else { 1.0 }
            })
            .collect();
        Self { size_px, forward, backward: invert(&forward), distortion, centre_px, half_diagonal_px, undistort }
    }

    /// Picture place of a surface place.
    pub fn to_px(&self, s: f64, y: f64) -> [f64; 2] {
        let [x, y] = apply(&self.forward, s, y);
        if self.distortion == 0.0 {
            return [x, y];
        }
        let [dx, dy] = [x - self.centre_px[0], y - self.centre_px[1]];
        let factor = 1.0 + self.distortion * (dx * dx + dy * dy) / self.half_diagonal_px.powi(2);
        [self.centre_px[0] + dx * factor, self.centre_px[1] + dy * factor]
    }

    /// Surface place `[s, y]` of a picture place.
    pub fn to_surface(&self, x: f64, y: f64) -> [f64; 2] {
        if self.distortion == 0.0 {
            return apply(&self.backward, x, y);
        }
        let [dx, dy] = [x - self.centre_px[0], y - self.centre_px[1]];
        let at = ((dx * dx + dy * dy) / self.half_diagonal_px.powi(2) / 1.44 * 1024.0).min(1023.999);
        let index = at as usize;
        let factor = self.undistort[index] + (at - index as f64) * (self.undistort[index + 1] - self.undistort[index]);
        apply(&self.backward, self.centre_px[0] + dx * factor, self.centre_px[1] + dy * factor)
    }

    /// Whether a picture place lies in the picture, at least `rim` px inside.
    pub fn holds(&self, place_px: [f64; 2], rim: f64) -> bool {
        (0..2).all(|axis| place_px[axis] >= rim && place_px[axis] <= self.size_px[axis] as f64 - rim)
    }
}

/// The strip's corners on the surface: low right, low left, high left, high right.
pub(super) fn outline(scene: &Scene) -> [[f64; 2]; 4] {
    let (sin, cos) = scene.strip.skew_deg.to_radians().sin_cos();
    let [low, high] = scene.strip.ends_mm;
    let [right, left] = scene.strip.sides_mm;
    [[low, right], [low, left], [high, left], [high, right]].map(|[s, y]| [s * cos - y * sin, s * sin + y * cos])
}

fn apply(matrix: &[[f64; 3]; 3], a: f64, b: f64) -> [f64; 2] {
    let [x, y, w] = [0, 1, 2].map(|row| matrix[row][0] * a + matrix[row][1] * b + matrix[row][2]);
    [x / w, y / w]
}

fn invert(m: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let minor = |r: usize, c: usize| {
        let [r1, r2] = [(r + 1) % 3, (r + 2) % 3];
        let [c1, c2] = [(c + 1) % 3, (c + 2) % 3];
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant: f64 = (0..3).map(|c| m[0][c] * minor(0, c)).sum();
    let mut inverse = [[0.0; 3]; 3];
    for (row, cells) in inverse.iter_mut().enumerate() {
        for (column, cell) in cells.iter_mut().enumerate() {
            *cell = minor(column, row) / determinant;
        }
    }
    inverse
}
