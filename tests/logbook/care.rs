//! Files that are not what they should be: a clear word, and nothing touched.

use std::fs;
use std::path::Path;
use std::process::Command;

use narrows::logbook::{Logbook, LogbookError};

use super::support::{Ran, Shop, made_up, made_up_book};

/// What may be asked of a logbook; the last two write.
const TASKS: [&[&str]; 4] =
    [&["list"], &["show", "1"], &["event", "lens-cleaned", "--machine", "north"], &["machine", "north", "--note", "x"]];

#[test]
fn a_file_that_is_no_logbook_is_left_alone() {
    let shop = Shop::empty();
    let other = rusqlite::Connection::open(shop.path("other.db")).unwrap();
    other.execute_batch("CREATE TABLE stock (block REAL); INSERT INTO stock VALUES (7)").unwrap();
    drop(other);
    for name in ["setup.toml", "strip.png", "other.db"] {
        let before = fs::read(shop.path(name)).unwrap();
        for task in TASKS {
            let said = shop.run(&[&["log", "--logbook", name], task].concat()).fails(2);
            assert!(said.contains("is no logbook of narrows"), "{said}");
        }
        assert!(fs::read(shop.path(name)).unwrap() == before, "{name}");
        assert!(!shop.path(&format!("{name}-wal")).exists());
    }
    // A folder is no logbook either.
    shop.run(&["log", "--logbook", ".", "list"]).fails(2);
}

#[test]
fn a_file_of_a_later_program_is_refused_and_left_alone() {
    let shop = Shop::new();
    let later = rusqlite::Connection::open(shop.path("book.db")).unwrap();
    later.pragma_update(None, "user_version", 99).unwrap();
    drop(later);
    let before = fs::read(shop.path("book.db")).unwrap();
    for task in TASKS {
        let said = shop.log(task).fails(2);
        assert!(said.contains("later narrows") && said.contains("99"), "{said}");
    }
    assert!(fs::read(shop.path("book.db")).unwrap() == before);
}

#[test]
fn a_damaged_file_is_told_and_what_can_be_read_is_rescued() {
    let shop = Shop::empty();
    let path = shop.path("book.db");
    let mut book = made_up_book(&path);
    for number in 0..120 {
        let (entry, details) = made_up(number);
        book.keep(&entry, &details, false).unwrap();
    }
    drop(book);
    let mut bytes = fs::read(&path).unwrap();
    // Eight pages somewhere in the second half, among the overlays and places.
    let start = bytes.len() / 2 / 4096 * 4096;
    bytes[start..start + 8 * 4096].fill(0xA5);
    fs::write(&path, &bytes).unwrap();
    let said = shop.log(&["check"]);
    assert_eq!(said.status, 3, "{}", said.stdout);
    assert!(said.stderr.contains("is damaged") && said.stderr.contains("--rescue"), "{}", said.stderr);
    let said = shop.log(&["check", "--rescue", "rescued.jsonl"]);
    assert_eq!(said.status, 3);
    assert!(fs::read(&path).unwrap() == bytes, "a check changes nothing");
    shop.run(&["log", "import", "rescued.jsonl", "--logbook", "new.db"]).ok();
    let rescued = Logbook::open_to_read(&shop.path("new.db")).unwrap();
    let entries = rescued.entries().unwrap();
    assert!(entries.len() >= 100 && entries.len() < 120, "{}", entries.len());
    for entry in entries {
        let number = (entry.id - 1) as u32;
        let (made, details) = made_up(number);
        assert_eq!(entry.focus, made.focus);
        assert_eq!(rescued.details(entry.id).unwrap(), details);
    }
    // Nothing is written over: the rescue's file is there now.
    assert!(shop.log(&["check", "--rescue", "rescued.jsonl"]).stderr.contains("is there already"));
}

#[test]
fn a_file_cut_short_is_told_as_damaged() {
    let shop = Shop::empty();
    let path = shop.path("book.db");
    let mut book = made_up_book(&path);
    for number in 0..40 {
        let (entry, details) = made_up(number);
        book.keep(&entry, &details, false).unwrap();
    }
    drop(book);
    let bytes = fs::read(&path).unwrap();
    for keep in [50, 4096, bytes.len() / 3] {
        fs::write(&path, &bytes[..keep]).unwrap();
        let said = shop.log(&["check"]);
        assert_eq!(said.status, 3, "{keep}: {}{}", said.stdout, said.stderr);
        assert!(said.stderr.contains("damaged"), "{keep}: {}", said.stderr);
        let said = shop.log(&["event", "lens-cleaned", "--machine", "north"]);
        assert!(said.status != 0 || keep > 4096, "{keep}");
        if said.status != 0 {
            assert!(fs::read(&path).unwrap() == bytes[..keep], "{keep}");
        }
    }
}

#[test]
fn a_backup_is_whole_and_writes_over_nothing() {
    let shop = Shop::new();
    shop.read(&["strip.png", "--keep"]).ok();
    // While another writer has it open.
    let _writer = shop.book();
    shop.log(&["backup", "copy.db"]).ok();
    let copied = shop.run(&["log", "export", "--logbook", "copy.db"]).ok();
    assert_eq!(copied, shop.log(&["export"]).ok());
    assert!(shop.log(&["backup", "copy.db"]).fails(2).contains("is there already"));
    shop.log(&["backup", "no-such-folder/copy.db"]).fails(3);
    assert!(shop.run(&["log", "check", "--logbook", "copy.db"]).ok().contains("Sound: 1 reading"));
    assert!(
        fs::read_dir(shop.path(""))
            .unwrap()
            .all(|file| { !file.unwrap().file_name().to_string_lossy().ends_with(".part") })
    );
}

#[test]
fn reading_leaves_nothing_beside_the_file() {
    let shop = Shop::new();
    shop.read(&["strip.png", "--keep"]).ok();
    for task in [&["list"][..], &["show", "1"], &["check"], &["export"], &["event", "lens-cleaned"]] {
        shop.log(task).ok();
        for ending in ["-wal", "-shm"] {
            assert!(!shop.path(&format!("book.db{ending}")).exists(), "{task:?} leaves {ending}");
        }
    }
}

#[test]
fn a_picture_whose_numbers_are_none_is_not_kept() {
    let shop = Shop::empty();
    let mut book = made_up_book(&shop.path("book.db"));
    let (mut entry, details) = made_up(1);
    entry.focus.kerf_mm = Some(narrows::estimate::Estimate::new(f64::NAN, 0.1));
    assert!(matches!(book.keep(&entry, &details, false), Err(LogbookError::NotFinite)));
    assert!(book.entries().unwrap().is_empty());
}

/// Runs the program as somebody whom permissions bind: root is bound by none.
#[cfg(unix)]
fn as_nobody(shop: &Shop, args: &[&str]) -> Option<Ran> {
    let is_root = fs::metadata("/proc/self").is_ok_and(|process| std::os::unix::fs::MetadataExt::uid(&process) == 0);
    if !is_root {
        return Some(shop.run(args));
    }
    let mut command = Command::new("setpriv");
    command.args(["--reuid=65534", "--regid=65534", "--clear-groups", env!("CARGO_BIN_EXE_narrows")]).args(args);
    command.current_dir(shop.path("")).output().ok().map(Ran::from)
}

#[cfg(unix)]
#[test]
fn a_read_only_folder_can_be_read_and_not_written() {
    use std::os::unix::fs::PermissionsExt;
    let shop = Shop::new();
    shop.read(&["strip.png", "--keep"]).ok();
    let before = fs::read(shop.path("book.db")).unwrap();
    let permit = |name: &str, mode| fs::set_permissions(shop.path(name), fs::Permissions::from_mode(mode)).unwrap();
    permit("book.db", 0o444);
    permit("", 0o555);
    let Some(listed) = as_nobody(&shop, &["log", "--logbook", "book.db", "list", "--json"]) else {
        permit("", 0o755);
        eprintln!("not checked: setpriv is not there");
        return;
    };
    assert_eq!(listed.json().len(), 1);
    for args in [&["event", "lens-cleaned"][..], &["machine", "west"], &["withdraw", "1", "--reason", "x"]] {
        let said = as_nobody(&shop, &[&["log", "--logbook", "book.db"], args].concat()).unwrap().fails(3);
        assert!(said.contains("read-only"), "{said}");
    }
    let said = as_nobody(&shop, &["log", "--logbook", "new/book.db", "machine", "west"]).unwrap().fails(3);
    assert!(said.contains("new/book.db"), "{said}");
    permit("", 0o755);
    assert!(fs::read(shop.path("book.db")).unwrap() == before);
}

/// The script runs in a namespace of its own, where a disk of one megabyte is mounted at `small`.
#[cfg(target_os = "linux")]
fn on_a_small_disk(shop: &Shop, script: &str) -> Option<Ran> {
    fs::create_dir_all(shop.path("small")).unwrap();
    let mount = "mount -t tmpfs -o size=1m tmpfs small || exit 99\n";
    let unshared = Command::new("unshare")
        .args(["--user", "--map-root-user", "--mount", "sh", "-c", &format!("{mount}{script}"), "sh"])
        .arg(env!("CARGO_BIN_EXE_narrows"))
        .current_dir(shop.path(""))
        .output()
        .ok()?;
    let ran = Ran::from(unshared);
    (ran.status != 99 && !ran.stderr.contains("unshare")).then_some(ran)
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told_and_what_was_kept_stays() {
    let shop = Shop::new();
    shop.read(&["strip.png", "--keep"]).ok();
    let mut big = made_up_book(&shop.path("big.db"));
    for number in 0..60 {
        let (entry, details) = made_up(number);
        big.keep(&entry, &details, false).unwrap();
    }
    drop(big);
    shop.run(&["log", "--logbook", "big.db", "export", "big.jsonl"]).ok();
    let script = r#"
        cp book.db small/book.db
        "$1" log --logbook small/book.db import big.jsonl >out 2>err; echo "$?" >status
        head -c 2000000 /dev/zero >small/filler 2>/dev/null
        "$1" log --logbook small/book.db event lens-cleaned >out2 2>err2; echo "$?" >status2
        rm small/filler
        "$1" log --logbook small/book.db check && "$1" log --logbook small/book.db export
    "#;
    let Some(ran) = on_a_small_disk(&shop, script) else {
        eprintln!("not checked: no disk can be mounted here");
        return;
    };
    let text = |name: &str| fs::read_to_string(shop.path(name)).unwrap();
    for [status, error] in [["status", "err"], ["status2", "err2"]] {
        assert_eq!(text(status), "3\n", "{}", text(error));
        let said = text(error);
        assert!(said.starts_with("error: ") && said.contains("no room") && said.contains("\nhint: "), "{said}");
    }
    let left = ran.ok();
    assert!(left.contains("Sound: 1 reading and 0 events"), "{left}");
    assert!(left.ends_with(&shop.log(&["export"]).ok()), "the old data are as they were");
}

/// A quota: no file may grow past half a megabyte.
#[cfg(unix)]
#[test]
fn a_quota_is_told_and_what_was_kept_stays() {
    let shop = Shop::new();
    shop.read(&["strip.png", "--keep"]).ok();
    let before = shop.log(&["export"]).ok();
    let mut big = made_up_book(&shop.path("big.db"));
    for number in 0..60 {
        let (entry, details) = made_up(number);
        big.keep(&entry, &details, false).unwrap();
    }
    drop(big);
    shop.run(&["log", "--logbook", "big.db", "export", "big.jsonl"]).ok();
    let script = "trap '' XFSZ; ulimit -f 1000; exec \"$0\" log --logbook book.db import big.jsonl";
    let ran = Command::new("sh")
        .args(["-c", script, env!("CARGO_BIN_EXE_narrows")])
        .current_dir(shop.path(""))
        .output()
        .unwrap();
    let said = Ran::from(ran).fails(3);
    assert!(said.contains("book.db") && (said.contains("room")), "{said}");
    assert_eq!(shop.log(&["export"]).ok(), before);
    assert!(shop.log(&["check"]).ok().contains("Sound"));
}

#[test]
fn every_earlier_layout_opens_with_what_it_holds() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/logbook");
    let shop = Shop::empty();
    fs::copy(folder.join("layout-1.db"), shop.path("book.db")).unwrap();
    let listed = shop.log(&["list", "--all", "--json"]).json();
    assert_eq!(listed.len(), 3);
    assert!(shop.log(&["check"]).ok().contains("Sound: 2 readings and 1 event"));
    shop.log(&["event", "lens-cleaned", "--machine", "north"]).ok();
}
