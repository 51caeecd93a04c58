# The demo in a container: one image, three services (docker-compose.yml). BASE is any image with Python 3.11 or newer and venv.
ARG BASE=python:3.11-slim
FROM ${BASE}

WORKDIR /srv/soakwarden
COPY requirements.txt ./
# Where the index is not the usual one, PIP_INDEX_URL and the like are given as build arguments; hashes are checked all the same.
ARG PIP_INDEX_URL
ARG PIP_FIND_LINKS
ARG PIP_NO_INDEX
RUN python3 -m venv .venv \
 && .venv/bin/python -m pip install --no-cache-dir --require-hashes --only-binary :all: -r requirements.txt
COPY controller controller
COPY api api
COPY web web

# Nobody inside needs root; the data folder is the only place that is written.
RUN useradd --system --uid 10001 soakwarden && mkdir /data && chown soakwarden /data
USER 10001
ENV PYTHONDONTWRITEBYTECODE=1 PATH=/srv/soakwarden/.venv/bin:$PATH
CMD ["python", "-m", "controller.cli", "serve", "--demo", "--speed", "60", "--data", "/data", "--http", "8651"]
