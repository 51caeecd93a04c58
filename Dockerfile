# The demo in a container: simulated chamber, controller, api. BASE is any image with Python 3.11 or newer and venv.
ARG BASE=python:3.11-slim
FROM ${BASE}

WORKDIR /srv/soakwarden
COPY requirements.txt ./
RUN python3 -m venv .venv \
 && .venv/bin/python -m pip install --no-cache-dir --require-hashes --only-binary :all: -r requirements.txt
COPY controller controller
COPY api api
COPY web web

# Nobody inside needs root; the data folder is the only place that is written.
RUN useradd --system --uid 10001 soakwarden && mkdir /data && chown soakwarden /data
USER 10001
ENV PYTHONDONTWRITEBYTECODE=1
CMD [".venv/bin/python", "-m", "controller.cli", "serve", "--demo", "--speed", "60", "--data", "/data", "--http", "8651"]
