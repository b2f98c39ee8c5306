# One image for the web server, the worker and the migrations; docker-compose.yml says which is which.
FROM python:3.11-slim

ENV PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    UV_PYTHON_DOWNLOADS=never \
    UV_LINK_MODE=copy \
    UV_COMPILE_BYTECODE=1 \
    UV_NO_CACHE=1

RUN pip install --no-cache-dir --disable-pip-version-check uv==0.13.9 \
    && useradd --create-home --uid 10001 --shell /usr/sbin/nologin fingerwork \
    && install --directory --owner fingerwork --group fingerwork --mode 0700 /data

WORKDIR /app
# The dependencies first: they change more seldom than the code.
COPY pyproject.toml ./
RUN uv sync --no-dev

COPY manage.py LICENSE README.md ./
COPY analysis analysis
COPY studio studio
COPY static static
COPY templates templates

ENV PATH="/app/.venv/bin:$PATH" \
    FINGERWORK_DATA=/data
# Hashed and compressed copies, as an installation behind https:// serves them. The address and the key are the build's alone.
RUN FINGERWORK_SITE_URL=https://build.invalid FINGERWORK_SECRET_KEY=build FINGERWORK_DATA=/tmp/build \
    python manage.py collectstatic --noinput --verbosity 0

USER fingerwork
VOLUME /data
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=5s --start-period=30s --retries=3 \
    CMD ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8000/healthz', timeout=4)"]
CMD ["python", "manage.py", "web", "--host", "0.0.0.0", "--port", "8000"]
