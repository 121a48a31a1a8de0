// A search that runs on the server, watched by its sequence number.

import {getJson, post} from './api.js';

export class Search {
  constructor(handlers) {
    Object.assign(this, {handlers, id: null, turn: 0, seen: -1});
  }

  // Begin; what ran before is dropped. Late answers of an older search are not shown.
  async begin(asked) {
    const turn = this.newTurn();
    try {
      const {id} = await post('/api/search', {...asked, replaces: this.id});
      if (turn !== this.turn) return post(`/api/search/${id}/stop`, {});
      this.id = id;
      this.seen = -1;
      await this.watch(turn);
    } catch (error) {
      if (error.name !== 'AbortError' && turn === this.turn) this.handlers.failed(error);
    }
  }

  // Have the proven limit of the search that has ended made tighter, and watch that.
  async prove() {
    const turn = this.newTurn();
    try {
      await post(`/api/search/${this.id}/prove`, {}, {}, this.abort.signal);
      await this.watch(turn);
    } catch (error) {
      if (error.name !== 'AbortError' && turn === this.turn) this.handlers.failed(error);
    }
  }

  newTurn() {
    this.abort?.abort();
    this.abort = new AbortController();
    return ++this.turn;
  }

  async watch(turn) {
    let tries = 0;
    while (turn === this.turn) {
      let news;
      try {
        news = await getJson(`/api/search/${this.id}`, {after: this.seen, wait: 12}, this.abort.signal);
        tries = 0;
      } catch (error) {
        if (error.name === 'AbortError' || turn !== this.turn) return;
        if (++tries > 3) throw error;
        await new Promise(done => setTimeout(done, 300 * tries));
        continue;
      }
      if (turn !== this.turn) return;
      if (news.seq > this.seen) { this.seen = news.seq; this.handlers.news(news); }
      if (news.proof?.running) continue;
      if (['done', 'stopped', 'failed'].includes(news.state)) return this.handlers.ended(news);
    }
  }

  async stop() {
    if (this.id) await post(`/api/search/${this.id}/stop`, {});
  }
}
