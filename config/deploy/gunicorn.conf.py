"""gunicorn -c config/deploy/gunicorn.conf.py config.wsgi"""

from gunicorn.glogging import Logger

from config.logs import mask

bind = "unix:/run/second-seat/web.sock"
workers = 3
timeout = 30
accesslog = "-"
access_log_format = '%({x-forwarded-for}i)s "%(r)s" %(s)s %(b)s %(L)ss'
control_socket_disable = True  # nothing here is steered while it runs


class PrivateLogger(Logger):
    """Access lines without the secret part of private links."""

    def atoms(self, resp, req, environ, request_time):
        return {
            name: mask(value) if isinstance(value, str) else value
            for name, value in super().atoms(resp, req, environ, request_time).items()
        }


logger_class = PrivateLogger
