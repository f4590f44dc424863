//! A thumb on the sheet: Chromium driven over WebDriver at the widths of a small phone, a
//! usual one and a desk. A tick, an answer, a tick taken back, one sent twice, the network
//! gone in between; and axe-core finds nothing serious on any sheet, in light and in dark.
//!
//! With LOOK=folder the sheets are left there as pictures.

use crate::broker_server::Server;
use crate::room::Room;
use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// Long enough for a busy machine; every wait ends as soon as what it waits for is there.
const PATIENCE: Duration = Duration::from_secs(120);
/// Width, height and whether it is a phone.
const SCREENS: [(u32, u32, bool); 3] = [(360, 740, true), (390, 844, true), (1200, 900, false)];
/// Every sheet there is.
const SHEETS: [&str; 6] = ["/", "/rack?id=rack-a", "/room", "/tray?name=K1", "/journal", "/sow"];

struct Driver {
    port: u16,
    child: Child,
}

impl Driver {
    fn started() -> Driver {
        let mut child = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver runs (apt install chromium chromium-driver)");
        let lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let port = lines
            .filter(|line| line.contains("started successfully"))
            .filter_map(|line| line.rsplit_once(" on port ").map(|(_, port)| port.trim_end_matches('.').to_owned()))
            .find_map(|port| port.parse().ok())
            .expect("chromedriver says its port");
        Driver { port, child }
    }

    async fn browser(&self, (width, height, phone): (u32, u32, bool), profile: &std::path::Path) -> Client {
        let arguments = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--hide-scrollbars",
            &format!("--user-data-dir={}", profile.display()),
            &format!("--window-size={width},{height}"),
        ]
        .map(str::to_owned);
        let mut options = json!({ "args": arguments });
        if phone {
            options["mobileEmulation"] =
                json!({ "deviceMetrics": { "width": width, "height": height, "pixelRatio": 2.0, "touch": true } });
        }
        let mut capabilities = serde_json::Map::new();
        capabilities.insert("goog:chromeOptions".into(), options);
        ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities)
            .connect(&format!("http://127.0.0.1:{}", self.port))
            .await
            .expect("a browser (apt install chromium chromium-driver)")
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// One command of Chromium's own protocol.
#[derive(Debug)]
struct Chromium(&'static str, Value);

impl WebDriverCompatibleCommand for Chromium {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/goog/cdp/execute", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &url::Url) -> (hyper::Method, Option<String>) {
        (hyper::Method::POST, Some(json!({ "cmd": self.0, "params": self.1 }).to_string()))
    }
}

async fn network(browser: &Client, there: bool) {
    browser.issue_cmd(Chromium("Network.enable", json!({}))).await.unwrap();
    let gone = json!({ "offline": !there, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1 });
    browser.issue_cmd(Chromium("Network.emulateNetworkConditions", gone)).await.unwrap();
}

async fn colours(browser: &Client, scheme: &str) {
    let features = json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] });
    browser.issue_cmd(Chromium("Emulation.setEmulatedMedia", features)).await.unwrap();
}

async fn run(browser: &Client, script: &str) -> Value {
    browser.execute(script, vec![]).await.unwrap_or_else(|error| panic!("{script}: {error}"))
}

async fn until(browser: &Client, what: &str, script: &str) {
    for _ in 0..(PATIENCE.as_millis() / 100) {
        if run(browser, script).await == json!(true) {
            return;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let text = run(browser, "return document.body.innerText").await;
    panic!("waited in vain until {what}:\n{}", text.as_str().unwrap_or_default());
}

async fn tap(browser: &Client, css: &str) {
    for _ in 0..20 {
        let found = browser.wait().at_most(PATIENCE).for_element(Locator::Css(css)).await;
        // As a thumb scrolls it, away from the bar at the foot.
        let centred = format!("document.querySelector({css:?})?.scrollIntoView({{block: 'center'}})");
        run(browser, &centred).await;
        match found.unwrap_or_else(|error| panic!("{css}: {error}")).click().await {
            Ok(()) => return,
            // A fresh sheet was laid between looking and tapping, which a thumb does in one.
            Err(error) if error.is_stale_element_reference() => {}
            Err(error) => panic!("{css}: {error}"),
        }
    }
    panic!("{css} was never there long enough to be tapped");
}

const TICK: &str = "button[aria-label^='Tick: Water K1']";
const TAKE_BACK: &str = "li.done button[aria-label^='Take back: K1 watered']";
const IS_DONE: &str = "return !!document.querySelector(\"li.done button[aria-label^='Take back: K1 watered']\")";
const IS_TO_DO: &str = "return !!document.querySelector(\"button[aria-label^='Tick: Water K1']\")";

#[test]
fn a_thumb_ticks_answers_and_takes_back_also_without_a_network() {
    let broker = Server::start(|_| "allow_anonymous true\n".to_owned());
    let room = Room::on_broker("units = \"us\"\n", broker.port);
    room.sown();
    room.until("the daemon to listen", || room.log().contains("connected to the broker").then_some(()));
    room.hears_that_the_tank_is_empty(broker.port);
    let axe = axe();
    let driver = Driver::started();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let mut ticked = 0;
        for screen in SCREENS {
            let profile = tempfile::TempDir::new().unwrap();
            let browser = driver.browser(screen, profile.path()).await;
            browser.goto(&room.origin()).await.unwrap();
            if ticked == 0 {
                until(&browser, "the empty tank is told", "return !!document.querySelector('.slip.now .seen')").await;
                tap(&browser, ".slip.now .seen").await;
                until(&browser, "it is seen", "return document.querySelector('.slip.now').innerText.includes('Seen by this machine')").await;
            }
            // A tick, and taking it back.
            tap(&browser, TICK).await;
            until(&browser, "the tick is written", IS_DONE).await;
            ticked += 1;
            assert_eq!(room.entries("water"), ticked);
            tap(&browser, TAKE_BACK).await;
            until(&browser, "it is taken back", IS_TO_DO).await;
            // The same tick sent twice at once.
            let twice = format!(
                "const form = document.querySelector(\"{TICK}\").form; const body = new URLSearchParams(new FormData(form));
                 return Promise.all([1, 2].map(() => fetch(form.action, {{method: 'POST', body}}))).then((all) => all.every((one) => one.ok));"
            );
            assert_eq!(run(&browser, &twice).await, json!(true));
            ticked += 1;
            assert_eq!(room.entries("water"), ticked, "sent twice, written once");
            until(&browser, "the sheet shows it by itself", IS_DONE).await;
            tap(&browser, TAKE_BACK).await;
            until(&browser, "it is taken back", IS_TO_DO).await;
            // The network goes, and comes back.
            network(&browser, false).await;
            tap(&browser, TICK).await;
            until(&browser, "the phone says that it keeps it", "return document.getElementById('reported').innerText.includes('kept on this phone')").await;
            assert_eq!(room.entries("water"), ticked);
            network(&browser, true).await;
            until(&browser, "it is sent by itself", IS_DONE).await;
            ticked += 1;
            assert_eq!(room.entries("water"), ticked);
            tap(&browser, TAKE_BACK).await;
            until(&browser, "it is taken back", IS_TO_DO).await;
            for scheme in ["light", "dark"] {
                colours(&browser, scheme).await;
                for sheet in SHEETS {
                    browser.goto(&format!("{}{sheet}", room.origin())).await.unwrap();
                    fits(&browser, sheet, screen.0).await;
                    nothing_serious(&browser, &axe, &format!("{sheet} at {} px, {scheme}", screen.0)).await;
                    keep_picture(&browser, &format!("{}-{scheme}-{}", screen.0, name_of(sheet))).await;
                }
            }
            browser.close().await.unwrap();
        }
    });
}

/// Nothing is wider than the screen, and what is tapped is as large as a thumb.
async fn fits(browser: &Client, sheet: &str, width: u32) {
    let wide = run(browser, "return document.documentElement.scrollWidth - document.documentElement.clientWidth").await;
    assert_eq!(wide, json!(0), "{sheet} is wider than {width} px");
    let small = run(
        browser,
        "return [...document.querySelectorAll('main button, nav a, summary, main select, main input:not([type=hidden]):not([type=checkbox])')]
           .filter((e) => e.checkVisibility({visibilityProperty: true}))
           .map((e) => [e.getBoundingClientRect(), e])
           .filter(([box]) => box.height > 0 && (box.height < 47.5 || box.width < 47.5))
           .map(([box, e]) => e.outerHTML.slice(0, 80) + ' ' + box.width + 'x' + box.height)",
    )
    .await;
    assert_eq!(small, json!([]), "{sheet} at {width} px has targets under 48 px");
}

async fn nothing_serious(browser: &Client, axe: &str, what: &str) {
    run(browser, axe).await;
    let found = browser
        .execute_async(
            "const done = arguments[arguments.length - 1];
             axe.run(document, {resultTypes: ['violations']}).then((found) => done(found.violations
               .filter((one) => ['serious', 'critical'].includes(one.impact))
               .map((one) => one.id + ': ' + one.nodes.map((node) => node.html.slice(0, 120) + ' ' + node.failureSummary).join(' | '))));",
            vec![],
        )
        .await
        .unwrap();
    assert_eq!(found, json!([]), "axe-core on {what}");
}

/// axe-core as npm brings it; .ci/run puts it there.
fn axe() -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/axe/node_modules/axe-core/axe.min.js");
    std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}; run: npm install --prefix target/axe axe-core", path.display()))
}

fn name_of(sheet: &str) -> String {
    let word: String = sheet.chars().take_while(|letter| *letter != '?').filter(char::is_ascii_alphabetic).collect();
    if word.is_empty() { "round".to_owned() } else { word }
}

async fn keep_picture(browser: &Client, name: &str) {
    let Some(folder) = std::env::var_os("LOOK") else { return };
    let whole = json!({ "captureBeyondViewport": true, "format": "png" });
    let picture = browser.issue_cmd(Chromium("Page.captureScreenshot", whole)).await.unwrap();
    use base64::Engine as _;
    let bytes = base64::engine::general_purpose::STANDARD.decode(picture["data"].as_str().unwrap()).unwrap();
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(PathBuf::from(folder).join(format!("{name}.png")), bytes).unwrap();
}
