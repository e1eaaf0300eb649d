//! A second look in red light: when it is taken, when it is believed, and what it says of itself.

#[path = "support/strips.rs"]
mod strips;

use std::sync::Arc;

use image::{ImageEncoder, ImageFormat};
use narrows::cautions::CautionCode;
use narrows::photo::{DecodeOptions, Light, Photo, decode_bytes};
use narrows::reading::{ReadOptions, Reading, read, read_again};
use narrows::refusal::RefusalCode;
use narrows::synth::scene::Scene;
use strips::{photo, plain, setup};

/// The plain strip with a second line beside its own.
fn with_a_second_line() -> Scene {
    let mut scene = plain();
    scene.line.second_at_mm = Some(3.5);
    scene
}

/// The sRGB sample of linear light (IEC 61966-2-1, formula from memory).
fn sample(light: f64) -> u16 {
    let value = if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
    (65535.0 * value).round() as u16
}

/// A picture whose red light is that of one picture, and its green and blue that of another, so many times as light where they are light.
fn in_colours(red: &Photo, others: &Photo, tint: f64) -> Photo {
    let lightest = f64::from(others.light().iter().copied().max().unwrap_or(1)) / 65535.0;
    let samples: Vec<u8> = red
        .light()
        .iter()
        .zip(others.light().iter())
        .flat_map(|(red, other)| {
            let [red, other] = [red, other].map(|light| f64::from(*light) / 65535.0);
            // Char stays grey.
            let other = sample(other * (1.0 - (1.0 - tint) * other / lightest));
            [sample(red), other, other]
        })
        .flat_map(u16::to_ne_bytes)
        .collect();
    let mut file = Vec::new();
    image::codecs::png::PngEncoder::new(&mut file)
        .write_image(&samples, red.width() as u32, red.height() as u32, image::ExtendedColorType::Rgb16)
        .expect("the picture encodes");
    assert_eq!(image::guess_format(&file).ok(), Some(ImageFormat::Png));
    decode_bytes(&file, &DecodeOptions::default()).expect("the picture decodes")
}

fn reading(photo: &Photo) -> Reading {
    read(photo, &setup(&plain(), "", "low_end = \"left\""), &ReadOptions::default()).expect("a request")
}

#[test]
fn what_only_other_light_shows_gives_way_in_red_light() {
    let [red, others] = [plain(), with_a_second_line()].map(|scene| photo(&scene));
    let reddish = in_colours(&red, &others, 0.5);
    let found = reading(&reddish);
    let focus = found.outcome.as_ref().expect("an answer");
    assert_eq!(found.light, Light::Red);
    assert_eq!(found.cautions.iter().map(|caution| caution.code).collect::<Vec<_>>(), [CautionCode::RedLight]);
    let truth = plain().truth().waist.expect("a waist").position_mm;
    assert!((focus.position_mm.value - truth).abs() < focus.position_mm.expanded(), "{:?}, {truth}", focus.position_mm);
    // Read again with what was kept, it is the same reading.
    let setup = setup(&plain(), "", "low_end = \"left\"");
    let (_, kept) = read_again(&reddish, &setup, &ReadOptions::default(), None).expect("a request");
    let (again, _) = read_again(&reddish, &setup, &ReadOptions::default(), Some(kept)).expect("a request");
    assert_eq!(again.light, Light::Red);
    assert_eq!(again.outcome, found.outcome);
}

#[test]
fn a_second_look_in_which_the_line_stands_out_no_more_is_not_believed() {
    let [red, others] = [plain(), with_a_second_line()].map(|scene| photo(&scene));
    let found = reading(&in_colours(&red, &others, 1.0));
    assert_eq!(found.outcome.expect_err("two lines in plain light").code, RefusalCode::SeveralLines);
    assert_eq!(found.light, Light::Luminance);
    // Nor is one that finds no answer.
    let found = reading(&in_colours(&others, &others, 0.5));
    assert_eq!(found.outcome.expect_err("two lines in any light").code, RefusalCode::SeveralLines);
    assert!(found.cautions.is_empty());
}

#[test]
fn plain_light_comes_first() {
    let strip = photo(&plain());
    let found = reading(&in_colours(&strip, &strip, 0.5));
    assert!(found.outcome.is_ok());
    assert_eq!(found.light, Light::Luminance);
    assert!(found.cautions.is_empty());
}

#[test]
fn red_light_is_had_of_colours_alone_and_of_the_same_picture() {
    let strip = photo(&plain());
    let coloured = in_colours(&strip, &strip, 0.5);
    let red = coloured.in_red().expect("it has colours");
    // Sixteen bits there and back.
    assert!(red.light().iter().zip(strip.light().iter()).all(|(red, light)| red.abs_diff(*light) <= 2));
    assert!(Arc::ptr_eq(&red, &coloured.in_red().expect("still there")), "decoded once");
    assert!(red.in_red().is_none());
    assert!(coloured.with_light(strip.light().into_owned()).in_red().is_none(), "other light has no colours");
    assert!(Photo::from_light(strip.light().into_owned()).in_red().is_none());
    assert!(coloured.held_bytes() > 4 * coloured.light().len(), "file and red light are counted");
}
