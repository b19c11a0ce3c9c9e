// Starts the parts of a page that move.
import { follow } from "./live.js";
import { takeActs } from "./acts.js";
import { listen } from "./sound.js";
import { renewTraces } from "./traces.js";

const told = listen(document.getElementById("sound"));
takeActs();
renewTraces();
follow(told);
