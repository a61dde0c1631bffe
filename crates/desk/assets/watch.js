// The live watch: the word as soon as it changes, and the tones once somebody has pressed the button that browsers want for sound.

const place = document.querySelector(".watch");
const word = document.querySelector("#word");
const button = document.querySelector("#sound");
let sound = null;
let tones = null;

button.hidden = false;
button.addEventListener("click", () => {
  sound = new AudioContext();
  button.hidden = true;
  tone(true);
});

// Two notes up, or two notes down.
function tone(rises) {
  if (!sound) return;
  const notes = rises ? [440, 880] : [660, 220];
  notes.forEach((pitch, index) => {
    const from = sound.currentTime + index * 0.18;
    const voice = sound.createOscillator();
    const level = sound.createGain();
    voice.frequency.value = pitch;
    level.gain.setValueAtTime(0.0001, from);
    level.gain.exponentialRampToValueAtTime(0.4, from + 0.02);
    level.gain.exponentialRampToValueAtTime(0.0001, from + 0.17);
    voice.connect(level).connect(sound.destination);
    voice.start(from);
    voice.stop(from + 0.18);
  });
}

const source = new EventSource(`/job/${place.dataset.job}/events`);
source.addEventListener("now", (event) => {
  const task = JSON.parse(event.data).task;
  if (task === null || task.outcome !== null || task.question !== null) {
    location.assign(`/job/${place.dataset.job}`);
    return;
  }
  if (task.word !== null && task.word !== word.textContent) word.textContent = task.word;
  place.classList.toggle("seated", task.word === "SEATED");
  place.classList.toggle("lost", task.word !== null && task.word !== "SEATED");
  if (tones !== null && task.tones > tones) tone(task.rises);
  tones = task.tones;
});
