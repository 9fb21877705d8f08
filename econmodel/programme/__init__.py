"""The programme's money: from patients a year to net cash, beds and break-even.

Activity first (starts convolved with the cohort's activity per start, proposed mix less current mix for the same
patients), money after. Everything here is planning arithmetic for a service; it is not advice for a patient.

Terms
-----
start
    A patient who begins the proposed mix of strategies.
current mix, proposed mix
    Shares of strategies among the same eligible patients, today and under the proposal.
margin (``paid_at_margin``)
    Share of a payment that moves with activity: 1 under per-episode payment, 0 under a block budget.
slot
    The endoscopy time of one treatment session.
"""
