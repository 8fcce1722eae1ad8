// A tone at the pitch the server names; silence where nothing rings.
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
    if (this.context) this.volume.gain.setTargetAtTime(0, this.context.currentTime, 0.03);
  }
  follow(pitch_hz) {
    if (!this.on) return;
    this.context.resume();
    if (!pitch_hz) return this.silence();
    this.tone.frequency.setTargetAtTime(pitch_hz, this.context.currentTime, 0.02);
    this.volume.gain.setTargetAtTime(0.08, this.context.currentTime, 0.02);
  }
}
