// Keeps what a form said where there is no network, and sends it when there is, exactly once (the server knows
// the key); keeps run sheets readable. What is kept belongs to one sign-in: another one sees and sends nothing.
(function () {
  const { user, person } = document.documentElement.dataset // '' for nobody; undefined where the page cannot say
  const words = document.getElementById('kept-words')
  const panels = document.getElementById('kept')
  const WAIT = 10000 // milliseconds for an answer; after that it stays kept
  const LONGEST = 28 * 24 * 3600 * 1000 // milliseconds that a copy is of use: as long as the sheet is shown
  const busy = new Set()

  // --- What is kept on this phone, by sign-in
  const nameOf = (owner, key) => `draft:${owner}:${key}`
  const save = draft => localStorage.setItem(nameOf(user, draft.key), JSON.stringify(draft))
  const drop = key => localStorage.removeItem(nameOf(user, key))
  const namesOf = owner => Object.keys(localStorage).filter(name => name.startsWith(nameOf(owner, '')))
  const drafts = () => namesOf(user).map(name => JSON.parse(localStorage.getItem(name))).sort((a, b) => a.at - b.at)
  const formFor = draft => document.querySelector(`form[data-offline][action="${CSS.escape(draft.address)}"]`)

  function newKey () {
    const bytes = crypto.getRandomValues(new Uint8Array(16))
    bytes[6] = (bytes[6] & 0x0f) | 0x40 // version 4, RFC 9562 5.4
    bytes[8] = (bytes[8] & 0x3f) | 0x80
    return [...bytes].map(byte => byte.toString(16).padStart(2, '0')).join('')
  }

  function draftOf (form) {
    const key = newKey()
    const fields = [...new FormData(form)].filter(([name, value]) =>
      name !== 'csrfmiddlewaretoken' && typeof value === 'string')
    fields.push(['sent_key', key], ['sent_as', person || ''])
    return {
      key, fields, rows: rowsOf(form), title: form.dataset.offline, address: form.getAttribute('action'),
      page: location.pathname, at: Date.now(), state: 'kept', why: ''
    }
  }

  // A label without its "(optional)".
  function wordsOf (label) {
    const copy = label?.cloneNode(true)
    copy?.querySelectorAll('.optional').forEach(word => word.remove())
    return copy?.textContent.trim() || ''
  }

  // What was filled in, as a person reads it.
  function rowsOf (form) {
    const rows = []
    for (const field of form.elements) {
      if (!field.name || !field.labels?.length) continue
      const label = wordsOf(field.labels[0])
      const group = wordsOf(field.closest('fieldset')?.querySelector('legend'))
      const ticked = field.type === 'radio' || field.type === 'checkbox'
      if (ticked && field.checked) rows.push([group, label])
      if (!ticked && field.value.trim()) rows.push([label, field.value])
    }
    return rows
  }

  // --- Sending
  const ask = (address, options) => fetch(address, {
    redirect: 'manual', cache: 'no-store', headers: { Accept: 'application/json' },
    signal: AbortSignal.timeout(WAIT), ...options
  })

  // What became of it: {state, why, said, to}. Whatever is not an answer with its key leaves it kept.
  async function sent (draft) {
    const { user: now, token } = await (await ask(words.dataset.token)).json()
    if (now !== user) return { state: 'sign-in' }
    const body = new URLSearchParams(draft.fields)
    body.set('csrfmiddlewaretoken', token)
    const answer = await ask(draft.address, { method: 'POST', body })
    if (answer.type === 'opaqueredirect' || answer.status === 403) return { state: 'sign-in' }
    const told = await answer.json()
    if (told.key.replaceAll('-', '') !== draft.key) return { state: 'kept' }
    if (answer.ok) return { state: 'done', ...told }
    return answer.status < 500 ? { state: 'refused', why: told.why } : { state: 'kept' }
  }

  async function send (draft, { follow = false } = {}) {
    if (busy.has(draft.key) || !localStorage.getItem(nameOf(user, draft.key))) return
    busy.add(draft.key)
    show()
    const became = await sent(draft).catch(() => ({ state: 'kept' }))
    busy.delete(draft.key)
    if (became.state === 'done') {
      drop(draft.key)
      if (follow) {
        sessionStorage.setItem('said', became.said)
        if (new URL(became.to, location).pathname === location.pathname) location.reload()
        else location.assign(became.to)
        return
      }
      if (formFor(draft)) formFor(draft).dataset.sent = 'yes'
      say(became.said)
    } else if (localStorage.getItem(nameOf(user, draft.key))) {
      save({ ...draft, state: became.state, why: became.why || '' })
      const form = formFor(draft)
      if (form && became.state === 'refused') form.dataset.instead = draft.key
    }
    show()
    if (follow) panels.scrollIntoView({ block: 'center' })
  }

  // What is being changed now is not sent as it was before.
  const isOpen = ({ key }, form) => form?.dataset.open === 'yes' && form.dataset.instead === key
  const sendAll = () => drafts().filter(draft => draft.state !== 'refused' && !isOpen(draft, formFor(draft)))
    .forEach(draft => send(draft))

  // --- Showing
  function say (text) {
    const line = document.createElement('p')
    line.className = 'notice notice--success'
    line.textContent = text
    document.querySelector('.notices').append(line)
  }

  function show () {
    const all = drafts()
    panels.replaceChildren(...all.map(panelOf))
    for (const form of document.querySelectorAll('form[data-offline]')) {
      const waiting = all.some(draft => draft.state !== 'refused' && formFor(draft) === form)
      const around = form.closest('[data-around]') || form
      around.hidden = form.dataset.sent === 'yes' || (waiting && !form.dataset.open)
    }
    for (const line of document.querySelectorAll('[data-unsent]')) line.hidden = !all.length
  }

  function panelOf (draft) {
    const panel = words.content.firstElementChild.cloneNode(true)
    const state = busy.has(draft.key) ? 'sending' : draft.state
    panel.querySelector('[data-title]').textContent = draft.title
    panel.querySelector('[data-why]').textContent = draft.why
    for (const part of panel.querySelectorAll('[data-when]')) {
      part.hidden = !part.dataset.when.split(' ').includes(state)
    }
    for (const [label, value] of draft.rows) {
      const row = document.createElement('div')
      row.append(document.createElement('dt'), document.createElement('dd'))
      row.firstChild.textContent = label
      row.lastChild.textContent = value
      panel.querySelector('dl').append(row)
    }
    const acts = { send: () => send(draft, { follow: true }), open: () => open(draft), discard: () => discard(draft) }
    for (const button of panel.querySelectorAll('[data-act]')) {
      button.addEventListener('click', acts[button.dataset.act])
    }
    return panel
  }

  // Back into its form, where it can be changed; what is sent then takes the place of this draft.
  function open (draft) {
    const form = formFor(draft)
    if (!form) return location.assign(`${draft.page}#draft-${draft.key}`)
    for (const field of form.elements) {
      if (!field.name || field.type === 'hidden') continue
      const values = draft.fields.filter(([name]) => name === field.name).map(([, value]) => value)
      if (field.type === 'radio' || field.type === 'checkbox') field.checked = values.includes(field.value)
      else field.value = values[0] || ''
    }
    form.dataset.instead = draft.key
    form.dataset.open = 'yes'
    show()
    for (let box = form.closest('details'); box; box = box.parentElement.closest('details')) box.open = true
    form.querySelector('input:not([type="hidden"]), select, textarea')?.focus()
  }

  function discard (draft) {
    if (!confirm(words.dataset.sure)) return
    drop(draft.key)
    show()
  }

  function submitted (event) {
    const form = event.target
    if (!form.reportValidity()) return event.preventDefault()
    const draft = draftOf(form)
    try {
      save(draft)
    } catch {
      return // nothing can be kept here: it simply posts
    }
    event.preventDefault()
    if (form.dataset.instead) drop(form.dataset.instead)
    delete form.dataset.instead
    delete form.dataset.open
    send(draft, { follow: true })
  }

  // --- Signing out: what was not sent is named first, and gone afterwards
  function signsOut (event) {
    if (event.target.dataset.signsOut === 'sure') {
      sessionStorage.setItem('leaving', user)
    } else if (drafts().length) {
      event.preventDefault()
      location.assign(event.target.action)
    }
  }

  // --- Copies of run sheets
  async function keepCopy (address) {
    const answer = await ask(address, { headers: {} })
    if (answer.ok && answer.headers.get(words.dataset.keep) === user) {
      await (await caches.open('kept-' + user)).put(address, answer)
    }
  }

  async function dropCopies () {
    for (const name of (await caches.keys()).filter(name => name.startsWith('kept-'))) {
      if (name !== 'kept-' + user) await caches.delete(name)
      else await dropOldIn(await caches.open(name))
    }
  }

  async function dropOldIn (copies) {
    for (const kept of await copies.keys()) {
      const saved = Date.parse((await copies.match(kept)).headers.get('Date'))
      if (Date.now() - saved > LONGEST) await copies.delete(kept)
    }
  }

  if (user === undefined) return
  if ('caches' in window) dropCopies()
  if (user === '') {
    const left = sessionStorage.getItem('leaving')
    if (left) namesOf(left).forEach(name => localStorage.removeItem(name))
    sessionStorage.removeItem('leaving')
    return
  }
  if (!words) return
  sessionStorage.removeItem('leaving')
  if (sessionStorage.getItem('said')) say(sessionStorage.getItem('said'))
  sessionStorage.removeItem('said')
  for (const form of document.querySelectorAll('form[data-offline]')) form.addEventListener('submit', submitted)
  for (const form of document.querySelectorAll('form[data-signs-out]')) form.addEventListener('submit', signsOut)
  show()
  const asked = drafts().find(draft => location.hash === '#draft-' + draft.key)
  if (asked) open(asked)
  sendAll()
  addEventListener('online', sendAll)
  document.addEventListener('visibilitychange', () => document.hidden || sendAll())
  if ('serviceWorker' in navigator && 'caches' in window) {
    const isFirst = !navigator.serviceWorker.controller // then nobody has kept the page that is open
    navigator.serviceWorker.register(words.dataset.worker)
    const links = [...document.querySelectorAll('a[data-keep]')].map(link => link.pathname)
    if (isFirst && document.getElementById('copy')) links.push(location.pathname)
    for (const address of new Set(links)) keepCopy(address).catch(() => {})
  }
})()
