export * from 'preact/hooks';
