//! Files that lead elsewhere: to a server, into memory, to other files, into a pipe. None is
//! followed, and each ends at once, with one line and exit code 4.

use crate::support::{Raster, program};
use std::io::Read;
use std::net::TcpListener;
use std::path::Path;
use std::process::Stdio;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Longest that a refusal may take, on a machine with other work.
const PATIENCE: Duration = Duration::from_secs(60);

/// A server that says nothing, and counts who calls.
fn silent_server() -> (u16, Arc<AtomicUsize>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let calls = Arc::new(AtomicUsize::new(0));
    let counter = calls.clone();
    std::thread::spawn(move || {
        let mut held = Vec::new();
        for stream in listener.incoming() {
            counter.fetch_add(1, Ordering::SeqCst);
            held.push(stream);
        }
    });
    (port, calls)
}

/// Inspects a file; what is wrong with how that ended, if anything.
fn fault(folder: &Path, name: &str) -> Option<String> {
    let program = program(folder, &["inspect", name]);
    let mut child = std::process::Command::new(program.get_program())
        .args(program.get_args())
        .current_dir(folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let start = Instant::now();
    let status = loop {
        match child.try_wait().unwrap() {
            Some(status) => break status,
            None if start.elapsed() > PATIENCE => {
                child.kill().unwrap();
                child.wait().unwrap();
                return Some(format!("{name}: hangs"));
            }
            None => std::thread::sleep(Duration::from_millis(5)),
        }
    };
    let mut said = String::new();
    child
        .stderr
        .take()
        .unwrap()
        .read_to_string(&mut said)
        .unwrap();
    let one_line = said.starts_with("globewright: grid: ") && said.lines().count() == 1;
    (status.code() != Some(4) || !one_line).then(|| format!("{name}: {status}: {said}"))
}

/// Sources that lead to a server, into memory or to other files, as they stand in a file.
fn sources(port: u16, outside: &Path) -> Vec<String> {
    let url = format!("http://127.0.0.1:{port}/a.tif");
    let outside = outside.display();
    let mut all = vec![
        url.clone(),
        format!("HTTP://127.0.0.1:{port}/a.tif"),
        format!("ftp://127.0.0.1:{port}/a.tif"),
        format!("PG:host=127.0.0.1 port={port} dbname=a table=b mode=2"),
        format!("PostgreSQL:host=127.0.0.1 port={port} dbname=a"),
        format!("MySQL:a,host=127.0.0.1,port={port}"),
        format!("WMS:{url}?LAYERS=a"),
        format!("WMTS:{url}"),
        format!("WCS:{url}?version=1.0.0"),
        format!("WFS:{url}"),
        format!("OGCAPI:{url}"),
        format!("CSW:{url}"),
        format!("STACTA:\"{url}\""),
        format!("STACIT:\"{url}\""),
        format!("NGW:{url}/resource/1"),
        format!("EEDAI:{url}"),
        format!("PLMosaic:api_key=a,mosaic=b,url={url}"),
        format!("AmigoCloud:a url={url}"),
        format!("Elastic:{url}"),
        format!("GTFS:{url}"),
        format!("ZARR:\"/vsicurl/{url}\""),
        format!("DERIVED_SUBDATASET:AMPLITUDE:/vsicurl/{url}"),
        format!("vrt:///vsicurl/{url}?bands=1"),
        format!("GTIFF_DIR:1:/vsicurl/{url}"),
        format!("GTIFF_RAW:/vsicurl/{url}"),
        format!("PDS4:/vsicurl/{url}:1:1"),
        format!("NETCDF:\"{url}\":z"),
        format!("NETCDF:{url}:z"),
        format!("NETCDF:\"/vsicurl/{url}\":z"),
        format!("NETCDF:\"[dap4]{url}\":z"),
        format!("HDF5:\"/vsicurl/{url}\"://z"),
        format!("HDF5:\"{url}\"://z"),
        format!("/vsigzip//vsicurl/{url}"),
        format!("/vsizip//vsicurl/{url}/a.tif"),
        format!("/vsitar//vsicurl/{url}/a.tif"),
        format!("/vsisubfile/0_100,/vsicurl/{url}"),
        format!("/vsicached?file=/vsicurl/{url}"),
        format!("/vsicrypt/key=abc,file=/vsicurl/{url}"),
        format!("/vsisparse//vsicurl/{url}"),
        format!("/vsicurl?url=http%3A%2F%2F127.0.0.1%3A{port}%2Fa.tif"),
        "/vsimem/a.tif".to_owned(),
        "/vsistdin/".to_owned(),
        "MEM:::DATAPOINTER=4194304,PIXELS=36,LINES=18,DATATYPE=Byte".to_owned(),
        format!(
            "<GDAL_WMS><Service name=\"TMS\"><ServerUrl>{url}</ServerUrl></Service></GDAL_WMS>"
        ),
        format!("<VRTDataset rasterXSize=\"36\" rasterYSize=\"18\"><SRS>{url}</SRS></VRTDataset>"),
        format!("{outside}/outside.tif"),
        "../outside.tif".to_owned(),
        "./../outside.tif".to_owned(),
        "link.tif".to_owned(),
        "pipe.tif".to_owned(),
        "below/pipe.tif".to_owned(),
        "/dev/zero".to_owned(),
        "/dev/stdin".to_owned(),
        "/proc/self/mem".to_owned(),
        "/etc/passwd".to_owned(),
        "sound.tif/a".to_owned(),
        ".".to_owned(),
        String::new(),
    ];
    for handler in [
        "vsicurl",
        "vsicurl_streaming",
        "vsis3",
        "vsis3_streaming",
        "vsigs",
        "vsigs_streaming",
        "vsiaz",
        "vsiaz_streaming",
        "vsiadls",
        "vsioss",
        "vsioss_streaming",
        "vsiswift",
        "vsiswift_streaming",
        "vsihdfs",
        "vsiwebhdfs",
    ] {
        all.push(format!("/{handler}/{url}"));
    }
    all
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('"', "&quot;")
}

/// Every second character as its number, so that no search for `://` finds anything.
fn numbered(text: &str) -> String {
    text.chars()
        .enumerate()
        .map(|(i, c)| match i % 2 {
            0 => format!("&#x{:x};", c as u32),
            _ => escaped(&c.to_string()),
        })
        .collect()
}

fn virtual_raster(source: &str, relative: &str) -> String {
    format!(
        "<VRTDataset rasterXSize=\"36\" rasterYSize=\"18\"><GeoTransform>0,10,0,90,0,-10\
         </GeoTransform><VRTRasterBand dataType=\"Int16\" band=\"1\"><SimpleSource>\
         <SourceFilename{relative}>{source}</SourceFilename></SimpleSource></VRTRasterBand>\
         </VRTDataset>"
    )
}

/// Every source as a name, and as one of the three files that name it, in turn.
#[cfg(unix)]
#[test]
fn no_file_leads_to_a_server_into_memory_or_to_other_files() {
    let tried = no_way_out(|source, file| source % 3 == file);
    assert!(tried > 140, "{tried}");
}

/// Every source in all of them.
#[cfg(unix)]
#[test]
#[ignore = "takes a minute; the program is started three hundred times"]
fn no_file_leads_anywhere_however_it_is_written() {
    let tried = no_way_out(|_, _| true);
    assert!(tried > 250, "{tried}");
}

/// Tries those of the files that are chosen by the number of their source and their own; how many.
#[cfg(unix)]
fn no_way_out(chosen: fn(usize, usize) -> bool) -> usize {
    let top = TempDir::new().unwrap();
    let folder = top.path().join("job");
    std::fs::create_dir_all(folder.join("below")).unwrap();
    Raster::globe(36).write(&top.path().join("outside.tif"), |d| d.z as f32);
    Raster::globe(36).write(&folder.join("sound.tif"), |d| d.z as f32);
    std::os::unix::fs::symlink("../outside.tif", folder.join("link.tif")).unwrap();
    for pipe in ["pipe.tif", "below/pipe.tif"] {
        let made = std::process::Command::new("mkfifo")
            .arg(folder.join(pipe))
            .status();
        assert!(made.unwrap().success());
    }
    let (port, calls) = silent_server();
    let write = |name: &str, text: &str| std::fs::write(folder.join(name), text).unwrap();
    let mut faults = Vec::new();
    let mut tried = 0;
    let mut expect_refusal = |name: &str| {
        tried += 1;
        faults.extend(fault(&folder, name));
    };
    // What is left of the names as they stand passes as it should.
    write(
        "sound.vrt",
        &virtual_raster("sound.tif", " relativeToVRT=\"1\""),
    );
    assert!(
        fault(&folder, "sound.vrt")
            .unwrap()
            .contains("exit status: 0")
    );

    for (i, source) in sources(port, top.path()).into_iter().enumerate() {
        // A link in the job itself is the maker's own.
        if !source.is_empty()
            && !["link.tif", "../outside.tif", "./../outside.tif"].contains(&&*source)
            && !source.ends_with("/outside.tif")
        {
            expect_refusal(&source);
        }
        let plain = escaped(&source);
        write("inner.dat", &virtual_raster(&plain, ""));
        let relative = |yes: u8| format!(" relativeToVRT=\"{yes}\"");
        let files = [
            ("a.vrt", virtual_raster(&plain, &relative(1))),
            ("a.tif", virtual_raster(&numbered(&source), &relative(0))),
            (
                "nest.vrt",
                virtual_raster("inner.dat", " relativetoVRT=\"1\""),
            ),
        ];
        for (file, (name, text)) in files.iter().enumerate() {
            if chosen(i, file) {
                write(name, text);
                expect_refusal(name);
            }
        }
    }
    let url = format!("http://127.0.0.1:{port}/a.tif");
    let whole = virtual_raster("sound.tif", " relativeToVRT=\"1\"");
    for (name, text) in [
        // Elsewhere in a virtual raster than in the name of a source.
        ("srs.vrt", whole.replace("<GeoTransform>", &format!("<SRS>{url}</SRS><GeoTransform>"))),
        (
            "grids.vrt",
            whole.replace(
                "<GeoTransform>",
                "<SRS>+proj=longlat +R=1 +nadgrids=/etc/passwd</SRS><GeoTransform>",
            ),
        ),
        (
            "options.vrt",
            whole.replace("</SimpleSource>", "<OpenOptions><OOI key=\"A\">B</OOI></OpenOptions></SimpleSource>"),
        ),
        (
            "attribute.vrt",
            whole.replace("<SimpleSource>", &format!("<SimpleSource SourceFilename=\"{url}\">"))
                .replace("<SourceFilename relativeToVRT=\"1\">sound.tif</SourceFilename>", ""),
        ),
        ("case.vrt", whole.replace("SourceFilename", "sourcefilename")),
        (
            "python.vrt",
            whole.replace(
                "band=\"1\"",
                "band=\"1\" subClass=\"VRTDerivedRasterBand\"",
            ),
        ),
        (
            "raw.vrt",
            whole.replace("band=\"1\"", "band=\"1\" subClass=\"VRTRawRasterBand\"")
                .replace("sound.tif", "/etc/passwd"),
        ),
        (
            "entity.vrt",
            format!("<!DOCTYPE a [<!ENTITY b SYSTEM \"{url}\">]>{}", whole.replace("sound.tif", "&b;")),
        ),
        // Headers that name the file with the cells.
        (
            "map.ers",
            format!(
                "DatasetHeader Begin\n\tVersion = \"6.0\"\n\tDataSetType = Translated\n\tDataFile = \"{url}\"\n\tRasterInfo Begin\n\t\tCellType = Signed16BitInteger\n\t\tNrOfLines = 18\n\t\tNrOfCellsPerLine = 36\n\t\tNrOfBands = 1\n\tRasterInfo End\nDatasetHeader End\n"
            ),
        ),
        (
            "pipe.ers",
            "DatasetHeader Begin\n\tDataSetType = ERStorage\n\tDataFile = below/pipe.tif\n\tRasterInfo Begin\n\t\tCellType = Signed16BitInteger\n\t\tNrOfLines = 18\n\t\tNrOfCellsPerLine = 36\n\t\tNrOfBands = 1\n\tRasterInfo End\nDatasetHeader End\n".to_owned(),
        ),
        (
            "cube.cub",
            format!(
                "Object = IsisCube\n  Object = Core\n    ^Core = \"/vsicurl/{url}\"\n    StartByte = 1\n    Format = BandSequential\n    Group = Dimensions\n      Samples = 36\n      Lines = 18\n      Bands = 1\n    End_Group\n    Group = Pixels\n      Type = SignedWord\n      ByteOrder = Lsb\n      Base = 0.0\n      Multiplier = 1.0\n    End_Group\n  End_Object\nEnd_Object\nEnd\n"
            ),
        ),
        (
            "four.xml",
            format!(
                "<?xml version=\"1.0\"?><Product_Observational xmlns=\"http://pds.nasa.gov/pds4/pds/v1\"><File_Area_Observational><File><file_name>/vsicurl/{url}</file_name></File><Array_2D><offset unit=\"byte\">0</offset><axes>2</axes><axis_index_order>Last Index Fastest</axis_index_order><Element_Array><data_type>SignedLSB2</data_type></Element_Array><Axis_Array><axis_name>Line</axis_name><elements>18</elements><sequence_number>1</sequence_number></Axis_Array><Axis_Array><axis_name>Sample</axis_name><elements>36</elements><sequence_number>2</sequence_number></Axis_Array></Array_2D></File_Area_Observational></Product_Observational>"
            ),
        ),
    ] {
        write(name, &text);
        expect_refusal(name);
    }
    println!("{tried} names and files");
    let calls = calls.load(Ordering::SeqCst);
    assert!(
        faults.is_empty(),
        "{} of {tried}:\n{}",
        faults.len(),
        faults.join("\n")
    );
    assert_eq!(calls, 0, "calls of the server, {tried} files");
    tried
}

/// Connections of the preview that say nothing, or stop within a question.
#[cfg(unix)]
#[test]
fn a_silent_connection_of_the_preview_ends() {
    use std::io::{BufRead, BufReader, Write};
    use std::net::TcpStream;
    let folder = crate::support::smooth_job(72, "radius = \"1000 km\"\n");
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_globewright"))
        .current_dir(folder.path())
        .args(["preview", "smooth.toml", "--quiet"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut link = String::new();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    out.read_line(&mut link).unwrap();
    let (address, token) = link.trim().split_once("/?token=").unwrap();
    let host = address.strip_prefix("http://").unwrap();
    let head = format!("POST /api/start HTTP/1.1\r\nHost: {host}\r\nX-Preview-Token: {token}\r\n");
    let mut open: Vec<TcpStream> = [
        "",
        "GET / HT",
        &head,
        &format!("{head}Content-Length: 9\r\n\r\n{{"),
    ]
    .iter()
    .map(|said| {
        let mut stream = TcpStream::connect(host).unwrap();
        stream.write_all(said.as_bytes()).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream
    })
    .collect();
    for stream in &mut open {
        let mut answer = Vec::new();
        // Ends when the other side closes, and is an error when that takes too long.
        let ended = stream.read_to_end(&mut answer);
        assert!(ended.is_ok(), "{ended:?}");
    }
    child.kill().unwrap();
    child.wait().unwrap();
}

/// A pipe in the place of a file that the program reads itself.
#[cfg(unix)]
#[test]
fn a_pipe_is_no_job_file() {
    let folder = TempDir::new().unwrap();
    let pipe = folder.path().join("pipe.toml");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    assert!(made.unwrap().success());
    for command in ["preview", "facets"] {
        let mut words = vec![command, "pipe.toml"];
        words.extend(
            (command == "facets")
                .then_some(["--out", "out"])
                .into_iter()
                .flatten(),
        );
        let output = program(folder.path(), &words)
            .timeout(PATIENCE)
            .output()
            .unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(3), "{said}");
        assert!(
            said.starts_with("globewright: job: this is a device or a pipe, not a job file;"),
            "{said}"
        );
    }
}
