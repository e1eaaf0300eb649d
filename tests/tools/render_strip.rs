//! Renders strips of one stratum into a folder: `cargo run --release --features synth --example render_strip -- DIR STRATUM SEED…`;
//! with `--preview` also the whole picture small, the waist and the low datum at full size.

use std::time::Instant;

use narrows::synth::Scene;
use narrows::synth::draw::Stratum;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = arguments.next().ok_or("a folder is missing")?;
    let name = arguments.next().ok_or("a stratum is missing, such as scan-ends")?;
    let stratum = Stratum::all().into_iter().find(|stratum| stratum.name() == name).ok_or("no such stratum")?;
    let (previews, seeds): (Vec<_>, Vec<_>) = arguments.partition(|argument| argument == "--preview");
    for seed in seeds {
        let begun = Instant::now();
        let scene = Scene::draw(stratum, seed.parse()?);
        let drawn = begun.elapsed();
        let rendered = scene.render()?;
        let path = format!("{folder}/{name}-{seed}.{}", rendered.extension);
        std::fs::write(&path, &rendered.bytes)?;
        println!("{path}: drawn in {drawn:.2?}, rendered in {:.2?}\n{:#?}", begun.elapsed() - drawn, rendered.truth);
        println!("{scene:#?}");
        if !previews.is_empty() {
            let (picture, truth) = scene.picture();
            picture.thumbnail(1400, 1000).to_rgb8().save(format!("{folder}/{name}-{seed}-whole.png"))?;
            let [x, y] =
                truth.waist.map_or(truth.datum_px[0], |waist| waist.place_px).map(|place| place.max(0.0) as u32);
            let [left, top] = [x.min(picture.width()).saturating_sub(400), y.min(picture.height()).saturating_sub(250)];
            picture.crop_imm(left, top, 800, 500).to_rgb8().save(format!("{folder}/{name}-{seed}-waist.png"))?;
            let [x, y] = truth.datum_px[0].map(|place| place.max(0.0) as u32);
            let [left, top] = [x.min(picture.width()).saturating_sub(200), y.min(picture.height()).saturating_sub(150)];
            picture.crop_imm(left, top, 400, 300).to_rgb8().save(format!("{folder}/{name}-{seed}-low.png"))?;
        }
    }
    Ok(())
}
