//! A picture as a list of shapes, which is written as SVG or as PNG.

/// Red, green, blue.
pub type Color = [u8; 3];

/// Ink.
pub const BLACK: Color = [30, 30, 30];
/// Grid and frames.
pub const GREY: Color = [150, 150, 150];
/// What is as it was told.
pub const BLUE: Color = [20, 90, 180];
/// What was read otherwise.
pub const RED: Color = [200, 30, 30];
/// Behind what was read otherwise.
pub const PINK: Color = [245, 190, 190];
/// Tones.
pub const ORANGE: Color = [215, 105, 0];
/// Where the frame begins and ends.
pub const GREEN: Color = [0, 130, 60];

/// Where a text stands to its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// It begins there.
    Right,
    /// Its middle is there.
    Middle,
    /// It ends there.
    Left,
}

/// One thing to draw. Places are pixels from the upper left corner.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// A straight line, one pixel wide.
    Line {
        /// From here.
        from: (f64, f64),
        /// To here.
        to: (f64, f64),
        /// In this colour.
        color: Color,
    },
    /// Squares.
    Dots {
        /// Their middles.
        at: Vec<(f64, f64)>,
        /// Pixels of a side.
        side: u32,
        /// In this colour.
        color: Color,
    },
    /// Words on one line.
    Text {
        /// Its foot.
        at: (f64, f64),
        /// Where it goes from there.
        side: Side,
        /// What it says.
        text: String,
        /// In this colour.
        color: Color,
    },
    /// Pixels.
    Image {
        /// Upper left corner.
        at: (f64, f64),
        /// The pixels.
        pixels: Pixels,
    },
}

/// Rows of pixels.
#[derive(Clone, Debug, PartialEq)]
pub struct Pixels {
    /// Pixels of a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Three octets each.
    pub rgb: Vec<u8>,
}

impl Pixels {
    /// As PNG.
    ///
    /// # Errors
    /// Only what writing into memory can fail with.
    pub fn png(&self) -> Result<Vec<u8>, png::EncodingError> {
        let mut out = Vec::new();
        let mut encoder = png::Encoder::new(&mut out, self.width, self.height);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&self.rgb)?;
        writer.finish()?;
        Ok(out)
    }
}

/// Shapes, the first at the bottom, on white.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawing {
    /// Pixels across.
    pub width: u32,
    /// Pixels down.
    pub height: u32,
    /// What is on it.
    pub shapes: Vec<Shape>,
}

impl Drawing {
    /// A white sheet.
    pub fn new(width: u32, height: u32) -> Self {
        Drawing {
            width,
            height,
            shapes: Vec::new(),
        }
    }

    /// Adds a line.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), color: Color) {
        self.shapes.push(Shape::Line { from, to, color });
    }

    /// Adds words.
    pub fn text(&mut self, at: (f64, f64), side: Side, text: impl Into<String>, color: Color) {
        let text = text.into();
        self.shapes.push(Shape::Text {
            at,
            side,
            text,
            color,
        });
    }
}
