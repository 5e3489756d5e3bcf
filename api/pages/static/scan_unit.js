// A unit scanned anywhere on the work list opens its order.
import { Scanner } from "/static/scan.js";

new Scanner(document.getElementById("scan"), (serial) => location.assign(`/rework/unit?serial=${encodeURIComponent(serial)}`));
