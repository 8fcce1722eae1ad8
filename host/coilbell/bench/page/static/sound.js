// A tone at the pitch the server names; silence where nothing rings, and soon after the last shot.
const LASTS_S = 0.8;

export class Sound {
  constructor() {
    this.on = false;
  }
  toggle() {
    this.on = !this.on;
    if (this.on && !this.context) this.begin();
    if (!this.on) this.silence();
    return this.on;
  }
  begin() {
    this.context = new AudioContext();
    this.volume = this.context.createGain();
    this.volume.gain.value = 0;
    this.tone = this.context.createOscillator();
    this.tone.type = "triangle";
    this.tone.connect(this.volume).connect(this.context.destination);
    this.tone.start();
  }
  silence() {
    if (this.context) this.fade(this.context.currentTime);
  }
  follow(pitch_hz) {
    if (!this.on) return;
    this.context.resume();
    if (!pitch_hz) return this.silence();
    const now = this.context.currentTime;
    this.tone.frequency.setTargetAtTime(pitch_hz, now, 0.02);
    this.volume.gain.cancelScheduledValues(now);
    this.volume.gain.setTargetAtTime(0.08, now, 0.02);
    this.fade(now + LASTS_S);
  }
  fade(at_s) {
    this.volume.gain.cancelScheduledValues(at_s);
    this.volume.gain.setTargetAtTime(0, at_s, 0.03);
  }
}
