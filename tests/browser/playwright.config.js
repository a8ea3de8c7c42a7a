// How the browser tests run: Debian's Chromium, one worker, pictures into shots/.
import { defineConfig } from "@playwright/test";

export default defineConfig({
  testDir: ".",
  testMatch: "*.spec.js",
  outputDir: "../../target/browser",
  workers: 1,
  // A second try where a busy machine missed a moment; ./check prints which test needed it.
  retries: 1,
  timeout: 60_000,
  forbidOnly: true,
  reporter: [["list"]],
  use: {
    // Playwright starts Chromium without its sandbox, which also lets root run it.
    launchOptions: { executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium" },
    screenshot: "only-on-failure",
  },
});
