// Pictures of pages, for people who look at them:
//   node shot.mjs ADDRESS OUT.png [WIDTH HEIGHT [light|dark [full]]]
import { launch } from "./harness.mjs";

const [address, out, width = "1280", height = "800", scheme = "light", full] = process.argv.slice(2);
const browser = await launch();
const view = await browser.open(address, { width: Number(width), height: Number(height), scheme });
await view.page.screenshot({ path: out, fullPage: full === "full" });
await browser.close();
