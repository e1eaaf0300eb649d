//! The program as a shell sees it: exit status, standard output against standard error, files written.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use narrows::setup::Field;
use serde_json::Value;
use tempfile::TempDir;

#[path = "support/drawn.rs"]
mod drawn;

/// A folder with a setup, a picture that has a focus, one that has none, and files that are no pictures.
struct Bench {
    folder: TempDir,
}

impl Bench {
    fn new() -> Self {
        let bench = Self { folder: tempfile::tempdir().unwrap() };
        bench.write("setup.toml", format!(
            "[ramp]\ntravel_mm = {}\nrise_mm = 8\n[head]\ngap_low_mm = 12\nspacer_in_use_mm = 9\n[picture]\nlow_end = \"left\"\n",
            (drawn::SPAN_MM * drawn::SPAN_MM - 64.0).sqrt()
        ));
        drawn::write_png(&bench.path("strip.png"));
        image::GrayImage::from_pixel(400, 300, image::Luma([200])).save(bench.path("blank.png")).unwrap();
        bench
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, contents: impl AsRef<[u8]>) {
        fs::write(self.path(name), contents).unwrap();
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_narrows"));
        command.current_dir(self.folder.path()).args(args);
        command
    }

    fn run(&self, args: &[&str]) -> Ran {
        Ran::from(self.command(args).output().unwrap())
    }

    /// `read` with the folder's setup.
    fn read(&self, args: &[&str]) -> Ran {
        self.run(&[&["read", "--setup", "setup.toml"], args].concat())
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }
}

struct Ran {
    status: i32,
    stdout: String,
    stderr: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        Self {
            status: output.status.code().unwrap(),
            stdout: String::from_utf8(output.stdout).unwrap(),
            stderr: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

impl Ran {
    /// Ended with this status and nothing on standard error.
    #[track_caller]
    fn quietly(self, status: i32) -> Self {
        assert_eq!((self.status, self.stderr.as_str()), (status, ""), "{}", self.stdout);
        self
    }

    /// Ended with this status and pairs of `error:` and `hint:` that hold these words.
    #[track_caller]
    fn with_errors(self, status: i32, words: &[&str]) -> Self {
        assert_eq!(self.status, status, "{}{}", self.stdout, self.stderr);
        let lines: Vec<&str> = self.stderr.lines().collect();
        assert_eq!(lines.len(), 2 * words.len(), "{}", self.stderr);
        for (pair, words) in lines.chunks(2).zip(words) {
            assert!(pair[0].starts_with("error: ") && pair[0].contains(words), "{} lacks {words:?}", pair[0]);
            assert!(pair[1].starts_with("hint: ") && pair[1].len() > 12, "{}", pair[1]);
        }
        self
    }

    fn objects(&self) -> Vec<Value> {
        self.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}

#[test]
fn help_goes_to_standard_output_with_an_example() {
    let bench = Bench::new();
    for args in [&["--help"][..], &["-h"], &["read", "--help"], &["completions", "--help"]] {
        let help = bench.run(args).quietly(0).stdout;
        assert!(help.contains("narrows"), "{help}");
        assert!(help.contains("such as") || help.contains("Examples:"), "{help}");
    }
    let help = bench.run(&["read", "--help"]).quietly(0).stdout;
    for field in Field::ALL {
        assert!(help.contains(&field.flag()), "{} is not in the help", field.flag());
    }
    for word in [
        "--setup",
        "--json",
        "--overlay",
        "--chart",
        "--stations",
        "--combine",
        "--quiet",
        "--max-megapixels",
        "--slack-fraction",
        "Exit status",
    ] {
        assert!(help.contains(word), "{word} is not in the help");
    }
    assert_eq!(bench.run(&["--version"]).quietly(0).stdout, format!("narrows {}\n", env!("CARGO_PKG_VERSION")));
}

#[test]
fn a_wrong_command_line_is_one_error_and_one_hint() {
    let bench = Bench::new();
    for (args, words) in [
        (&[][..], "nothing was asked for"),
        (&["rede"], "rede"),
        (&["read"], "no picture was named"),
        (&["read", "strip.png", "--travle-mm", "5"], "--travle-mm"),
        (&["read", "strip.png", "--setup"], "--setup"),
        (&["read", "strip.png", "--low-end", "west"], "west"),
        (&["read", "strip.png", "--combine", "all"], "all"),
        (&["read", "strip.png", "--slack-fraction", "0"], "above 0"),
        (&["read", "strip.png", "--slack-fraction", "0,05"], "0,05"),
        (&["read", "strip.png", "--max-megapixels", "-1"], "-1"),
        (&["read", "strip.png", "--max-megapixels", "nan"], "nan"),
        (&["completions", "abacus"], "abacus"),
    ] {
        assert_eq!(bench.run(args).with_errors(2, &[words]).stdout, "");
    }
}

#[test]
fn a_wrong_setup_is_told_with_its_file_and_line() {
    let bench = Bench::new();
    bench.write("bad.toml", "[ramp]\ntravel_mm = 150\nrise = 15\n");
    bench.write("latin.toml", b"# gr\xfc\xdfe\n");
    for (args, words) in [
        (&["--setup", "bad.toml"][..], "bad.toml: there is no field rise in [ramp] (line 3)"),
        (&["--setup", "none.toml"], "none.toml cannot be read"),
        (&["--setup", "."], "the setup file . cannot be read"),
        (&["--setup", "latin.toml"], "not text in UTF-8"),
        (&[], "travel_mm is missing"),
        (&["--travel-mm", "150"], "how steep"),
        (&["--travel-mm", "150", "--rise-mm", "-5"], "--rise-mm is -5"),
        (&["--travel-mm", "nan"], "--travel-mm is NaN"),
        (&["--travel-mm", "150,5"], "decimal comma"),
        (
            &["--setup", "setup.toml", "--incline-deg", "5"],
            "rise_mm (line 3) and --incline-deg say one thing in two ways",
        ),
        (&["--setup", "setup.toml", "--datum", "strip"], "travel_mm (line 2) cannot stand"),
    ] {
        let args = [&["read", "strip.png"], args].concat();
        assert_eq!(bench.run(&args).with_errors(2, &[words]).stdout, "");
    }
}

/// A terminal obeys what it is sent: nothing of a file or an argument may move its cursor.
#[test]
fn no_error_carries_control_characters() {
    let bench = Bench::new();
    bench.write("odd.toml", "\"\\n\\u001b[2J\" = 1\n");
    let odd = bench.run(&["read", "strip.png", "--setup", "odd.toml"]);
    let missing = bench.read(&["no\u{1b}[2Jsuch\npicture.png"]);
    for ran in [odd, missing] {
        let ran = ran.with_errors(2, &[""]);
        assert!(ran.stderr.lines().all(|line| !line.contains(char::is_control)), "{:?}", ran.stderr);
    }
}

#[test]
fn a_setup_saved_with_a_mark_and_carriage_returns_is_read() {
    let bench = Bench::new();
    let text = fs::read_to_string(bench.path("setup.toml")).unwrap();
    bench.write("windows.toml", format!("\u{feff}{}", text.replace('\n', "\r\n")));
    bench.run(&["read", "strip.png", "--json", "--setup", "windows.toml"]).quietly(0);
}

#[test]
fn a_focus_is_one_line_of_json_or_a_page_of_text() {
    let bench = Bench::new();
    let ran = bench.read(&["strip.png", "--json"]).quietly(0);
    let objects = ran.objects();
    assert_eq!(objects.len(), 1);
    assert_eq!(objects[0]["picture"], "strip.png");
    assert_eq!(objects[0]["verdict"], "found");
    let expected = 12.0 - 8.0 * drawn::WAIST_MM / drawn::SPAN_MM;
    let spacer = objects[0]["focus"]["spacer_mm"]["value"].as_f64().unwrap();
    assert!((spacer - expected).abs() < 0.1, "{spacer} is not {expected}");

    let page = bench.read(&["strip.png"]).quietly(0).stdout;
    assert!(page.contains("block") && page.contains("burning machine"), "{page}");
    let quiet = bench.read(&["strip.png", "--quiet"]).quietly(0).stdout;
    assert!(page.starts_with(quiet.trim_end()) && !quiet.contains("burning machine"), "{quiet}");
    let inches = bench.read(&["strip.png", "--units", "in"]).quietly(0).stdout;
    assert!(inches.contains(" in"), "{inches}");
}

#[test]
fn a_flag_wins_over_the_file() {
    let bench = Bench::new();
    let spacer = |args: &[&str]| {
        let ran = bench.read(&[&["strip.png", "--json"], args].concat()).quietly(0);
        ran.objects()[0]["focus"]["spacer_mm"]["value"].as_f64().unwrap()
    };
    let plain = spacer(&[]);
    assert!((spacer(&["--gap-low-mm", "1.3 cm"]) - plain - 1.0).abs() < 1e-5);
    // A claim may stand alone, before a picture, or with its word.
    for claim in [&["--air"][..], &["--air", "true"], &["--air=false"]] {
        assert_eq!(spacer(claim), plain);
    }
    assert_eq!(bench.read(&["--json", "--air", "strip.png"]).quietly(0).objects().len(), 1);
}

#[test]
fn a_refusal_is_an_answer_with_status_1() {
    let bench = Bench::new();
    let ran = bench.read(&["blank.png", "--json"]).quietly(1);
    assert_eq!(ran.objects()[0]["refusal"]["code"], "no_line");
    assert!(!bench.read(&["blank.png"]).quietly(1).stdout.is_empty());
}

#[test]
fn files_that_are_no_pictures_do_not_stop_the_others() {
    let bench = Bench::new();
    bench.write("empty.png", "");
    bench.write("text.png", "this is a letter\n");
    let whole = fs::read(bench.path("strip.png")).unwrap();
    bench.write("cut.png", &whole[..whole.len() / 2]);
    fs::create_dir(bench.path("folder.png")).unwrap();
    let pictures = ["missing.png", "empty.png", "strip.png", "text.png", "cut.png", "folder.png", "blank.png"];
    let ran = bench
        .read(&[&["--json"], &pictures[..]].concat())
        .with_errors(2, &["missing.png: ", "empty.png: ", "text.png: ", "cut.png: ", "folder.png: "]);
    let named: Vec<Value> = ran.objects().iter().map(|object| object["picture"].clone()).collect();
    assert_eq!(named, ["strip.png", "blank.png"]);
}

#[test]
fn a_picture_beyond_the_limit_is_not_opened() {
    let bench = Bench::new();
    bench.read(&["strip.png", "--max-megapixels", "0.1"]).with_errors(2, &["strip.png: "]);
    bench.read(&["strip.png", "--max-megapixels", "1"]).quietly(0);
}

#[test]
fn places_outside_the_picture_are_that_pictures_error() {
    let bench = Bench::new();
    let area = ["--area-px", "300,0,200,100"];
    let ran = bench.read(&[&["--json", "blank.png", "strip.png"], &area[..]].concat());
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(ran.stderr.starts_with("error: blank.png: area_px"), "{}", ran.stderr);
    assert_eq!(ran.objects().len(), 1);
    let points = ["--datum", "points", "--points-px", "10,10,5000,10"];
    bench.read(&[&["strip.png"], &points[..]].concat()).with_errors(2, &["strip.png: points_px"]);
}

#[test]
fn results_are_written_for_each_picture_under_its_name() {
    let bench = Bench::new();
    fs::create_dir(bench.path("more")).unwrap();
    fs::copy(bench.path("strip.png"), bench.path("more/strip.png")).unwrap();
    fs::create_dir(bench.path("out")).unwrap();
    let pictures = ["strip.png", "more/strip.png", "blank.png"];
    let files = ["--stations", "out/{}.csv", "--chart", "out/{}.svg", "--overlay", "out/{}.png", "--json"];
    bench.read(&[&pictures[..], &files[..]].concat()).quietly(1);
    let mut names: Vec<_> = fs::read_dir(bench.path("out")).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    // A refused picture has its overlay, and where no place was measured neither a table nor a chart.
    let expected = ["blank.png", "strip-2.csv", "strip-2.png", "strip-2.svg", "strip.csv", "strip.png", "strip.svg"];
    assert_eq!(names, expected);
    for overlay in ["out/blank.png", "out/strip.png"] {
        assert!(image::open(bench.path(overlay)).is_ok_and(|overlay| overlay.width() >= 400), "{overlay}");
    }
    let table = fs::read_to_string(bench.path("out/strip.csv")).unwrap();
    assert!(table.lines().count() > 50 && table.lines().next().unwrap().contains("position_mm"));
    assert!(fs::read_to_string(bench.path("out/strip.svg")).unwrap().contains("<svg"));

    bench.read(&["strip.png", "--chart", "chart.PNG"]).quietly(0);
    assert!(image::open(bench.path("chart.PNG")).is_ok_and(|chart| chart.width() > 400));
}

#[test]
fn impossible_results_are_refused_before_anything_is_read_or_written() {
    let bench = Bench::new();
    let before = bench.names();
    for (args, words) in [
        (&["strip.png", "blank.png", "--stations", "table.csv"][..], "--stations table.csv is one file for 2 pictures"),
        (&["strip.png", "missing.png", "--chart", "c.svg", "--stations", "{}.csv"], "--chart c.svg is one file"),
        (&["strip.png", "--chart", "chart.pdf"], "--chart chart.pdf does not end in .svg or .png"),
        (&["strip.png", "--overlay", "overlay.jpg"], "--overlay overlay.jpg does not end in .png"),
        (&["strip.png", "--stations", "none/table.csv"], "there is no folder none"),
        (&["strip.png", "--stations", "."], "it is a folder"),
        (&["strip.png", "--overlay", "strip.png"], "strip.png would be written over"),
        (&["strip.png", "--chart", "./{}.png"], "strip.png would be written over"),
        (&["strip.png", "--stations", "setup.toml"], "setup.toml would be written over"),
        (&["strip.png", "--stations", "a.svg", "--chart", "a.svg"], "two results would be written to a.svg"),
    ] {
        assert_eq!(bench.read(args).with_errors(2, &[words]).stdout, "");
    }
    assert_eq!(bench.names(), before);
}

#[test]
fn combined_pictures_come_last_and_name_what_they_used() {
    let bench = Bench::new();
    fs::copy(bench.path("strip.png"), bench.path("again.png")).unwrap();
    for what in ["strips", "pictures"] {
        let ran = bench.read(&["strip.png", "blank.png", "again.png", "--json", "--combine", what]).quietly(1);
        let objects = ran.objects();
        assert_eq!(objects.len(), 4);
        assert!(objects[..3].iter().all(|object| object.get("combine").is_none() && object.get("combined").is_none()));
        let last = &objects[3];
        assert_eq!(last["picture"], Value::Null);
        assert_eq!(last["combine"], what);
        assert_eq!(last["combined"], serde_json::json!(["strip.png", "again.png"]));
        assert_eq!(last["cautions"][0]["code"], "some_left_out");
        let u = |object: &Value| object["focus"]["position_mm"]["standard_uncertainty"].as_f64().unwrap();
        let expected = if what == "strips" { u(&objects[0]) / 2f64.sqrt() } else { u(&objects[0]) };
        assert!((u(last) - expected).abs() < 2e-6, "{what}: {} is not {expected}", u(last));
    }
    let alone = bench.read(&["strip.png", "--json", "--combine", "strips"]).quietly(1);
    assert_eq!(alone.objects()[1]["refusal"]["code"], "too_few_pictures");
    let page = bench.read(&["strip.png", "again.png", "--combine", "strips", "--quiet"]).quietly(0).stdout;
    assert!(page.contains("2 strips taken together"), "{page}");
}

#[test]
fn the_same_call_gives_the_same_bytes_on_any_number_of_threads() {
    let bench = Bench::new();
    fs::copy(bench.path("strip.png"), bench.path("again.png")).unwrap();
    let run = |threads: &str| {
        let args = ["read", "--setup", "setup.toml", "--json", "strip.png", "blank.png", "again.png"];
        bench.command(&args).env("RAYON_NUM_THREADS", threads).output().unwrap().stdout
    };
    assert_eq!(run("1"), run("3"));
}

#[test]
fn a_wrong_flag_or_value_names_the_help_page_of_its_own_task() {
    let bench = Bench::new();
    for args in [
        &["plan", "--nominal-focal-length-mm", "banana", "--spacer-in-use-mm", "7"][..],
        &["spacer", "--spacer-mm", "banana"],
        &["read", "strip.png", "--banana"],
        &["drift", "--banana"],
    ] {
        let ran = bench.run(args);
        assert_eq!((ran.status, ran.stdout.as_str()), (2, ""), "{args:?}");
        assert!(ran.stderr.contains("banana"), "{}", ran.stderr);
        assert!(ran.stderr.ends_with(&format!("hint: see narrows {} --help\n", args[0])), "{}", ran.stderr);
    }
}

#[test]
fn completions_know_the_flags() {
    let bench = Bench::new();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let script = bench.run(&["completions", shell]).quietly(0).stdout;
        assert!(script.contains("travel-mm") && script.contains("completions"), "{shell}");
    }
}

#[test]
fn a_closed_pipe_ends_quietly() {
    let bench = Bench::new();
    let mut child = bench
        .command(&["read", "--setup", "setup.toml", "strip.png"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    Ran::from(child.wait_with_output().unwrap()).quietly(0);
}

#[cfg(target_os = "linux")]
mod full_disk {
    use super::*;

    #[test]
    fn a_full_standard_output_is_a_fault() {
        let bench = Bench::new();
        let full = || fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        for args in [&["read", "--setup", "setup.toml", "strip.png", "--json"][..], &["--help"]] {
            let output = bench.command(args).stdout(full()).output().unwrap();
            Ran::from(output).with_errors(3, &["standard output cannot be written"]);
        }
    }

    #[test]
    fn a_result_that_does_not_fit_leaves_the_old_file() {
        let bench = Bench::new();
        bench.write("table.csv", "old\n");
        let before = bench.names();
        // A limit of no bytes a file, told by an error instead of by a signal.
        let script = "trap '' XFSZ; ulimit -f 0; exec \"$0\" \"$@\"";
        let output = Command::new("sh")
            .current_dir(bench.folder.path())
            .args(["-c", script, env!("CARGO_BIN_EXE_narrows")])
            .args(["read", "--setup", "setup.toml", "strip.png", "--json", "--stations", "table.csv"])
            .output()
            .unwrap();
        let ran = Ran::from(output).with_errors(3, &["table.csv cannot be written"]);
        assert_eq!(ran.objects()[0]["verdict"], "found");
        assert_eq!(fs::read_to_string(bench.path("table.csv")).unwrap(), "old\n");
        assert_eq!(bench.names(), before);
    }

    #[test]
    fn devices_are_written_to_and_links_followed() {
        let bench = Bench::new();
        bench.read(&["strip.png", "--json", "--stations", "/dev/null"]).quietly(0);
        assert!(!fs::metadata("/dev/null").unwrap().is_file());
        bench.write("real.csv", "old\n");
        std::os::unix::fs::symlink("real.csv", bench.path("link.csv")).unwrap();
        bench.read(&["strip.png", "--json", "--stations", "link.csv"]).quietly(0);
        assert!(fs::symlink_metadata(bench.path("link.csv")).unwrap().is_symlink());
        assert!(fs::read_to_string(bench.path("real.csv")).unwrap().contains("position_mm"));
        use std::os::unix::fs::PermissionsExt;
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(&bench.path("real.csv")), mode(&bench.path("setup.toml")), "as any new file");
    }
}
