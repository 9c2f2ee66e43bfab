"""The other end of publishing: `receive` takes what gateways send, drops doubles, and puts it into a store, which is a
log or (`postgres`) a database; `unpack` reads what came."""
