// A search that runs on the server, watched by its sequence number.

import {getJson, post} from './api.js';

export class Search {
  constructor(handlers) {
    Object.assign(this, {handlers, id: null, turn: 0});
  }

  // Begin; what ran before is dropped. Late answers of an older search are not shown.
  async begin(asked) {
    const turn = ++this.turn;
    this.abort?.abort();
    const abort = this.abort = new AbortController();
    try {
      const {id} = await post('/api/search', {...asked, replaces: this.id}, {}, abort.signal);
      if (turn !== this.turn) return post(`/api/search/${id}/stop`, {});
      this.id = id;
      let seen = -1, tries = 0;
      while (turn === this.turn) {
        let news;
        try {
          news = await getJson(`/api/search/${id}`, {after: seen, wait: 12}, abort.signal);
          tries = 0;
        } catch (error) {
          if (error.name === 'AbortError' || turn !== this.turn) return;
          if (++tries > 3) throw error;
          await new Promise(done => setTimeout(done, 300 * tries));
          continue;
        }
        if (turn !== this.turn) return;
        if (news.seq > seen) { seen = news.seq; this.handlers.news(news); }
        if (['done', 'stopped', 'failed'].includes(news.state)) return this.handlers.ended(news);
      }
    } catch (error) {
      if (error.name !== 'AbortError' && turn === this.turn) this.handlers.failed(error);
    }
  }

  async stop() {
    if (this.id) await post(`/api/search/${this.id}/stop`, {});
  }
}
